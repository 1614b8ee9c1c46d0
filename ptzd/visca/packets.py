"""VISCA over IP: the eight bytes before each message.

Source [A]: SRG-300H technical manual, "VISCA over IP".
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import IntEnum

_HEADER = struct.Struct(">HHI")
LONGEST_PAYLOAD = 16
RESET = b"\x01"
SEQUENCE_ABNORMAL = b"\x0f\x01"
MESSAGE_ABNORMAL = b"\x0f\x02"


class PacketError(ValueError):
    """A datagram that is no packet; the message says why."""


class PayloadType(IntEnum):
    """Bytes 0 and 1 [A]."""

    COMMAND = 0x0100
    INQUIRY = 0x0110
    REPLY = 0x0111
    DEVICE_SETTING = 0x0120
    CONTROL = 0x0200
    CONTROL_REPLY = 0x0201


_TYPES = {int(each): each for each in PayloadType}


@dataclass(frozen=True, slots=True)
class Packet:
    """One datagram: its kind, its number (0..0xFFFFFFFF), and 1 to 16 bytes."""

    payload_type: PayloadType
    sequence: int
    payload: bytes

    def encode(self) -> bytes:
        """Return the datagram."""
        return _HEADER.pack(self.payload_type, len(self.payload), self.sequence) + self.payload

    @classmethod
    def decode(cls, datagram: bytes) -> Packet:
        """Read a datagram. Raises PacketError."""
        if len(datagram) < _HEADER.size + 1:
            raise PacketError(f"{len(datagram)} bytes are too short for a packet")
        kind, length, sequence = _HEADER.unpack_from(datagram)
        payload = datagram[_HEADER.size :]
        if kind not in _TYPES:
            raise PacketError(f"payload type {kind:04X} is unknown")
        if length != len(payload) or length > LONGEST_PAYLOAD:
            raise PacketError(f"the header announces {length} bytes and {len(payload)} follow; 1 to 16 are possible")
        return cls(_TYPES[kind], sequence, payload)
