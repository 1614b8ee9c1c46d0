"""The envelope of VISCA over IP: an 8-byte header, then one message or one control code.

| bytes | field |
|---|---|
| 0-1 | payload type |
| 2-3 | payload length, 1 to 16 |
| 4-7 | sequence number |

Big-endian throughout. Source: SRG-300H technical manual, "VISCA over IP".
"""

from __future__ import annotations

import struct
from enum import IntEnum
from typing import NamedTuple

RESET = b"\x01"  # as control: the peer's number becomes 0; as control reply: done
SEQUENCE_ABNORMAL = b"\x0f\x01"
MESSAGE_ABNORMAL = b"\x0f\x02"

LONGEST_PAYLOAD = 16  # bytes
NUMBERS = 1 << 32  # how many sequence numbers there are: 0 to 0xFFFFFFFF

_HEADER = struct.Struct(">HHI")


class PacketError(ValueError):
    """A datagram that is no VISCA packet, with a sentence that says why."""


class PayloadType(IntEnum):
    """What a packet carries."""

    COMMAND = 0x0100
    INQUIRY = 0x0110
    REPLY = 0x0111
    DEVICE_SETTING = 0x0120
    CONTROL = 0x0200
    CONTROL_REPLY = 0x0201


_TYPES = {int(kind): kind for kind in PayloadType}


class Packet(NamedTuple):  # half the price of a frozen dataclass, and everything that is said is made of them
    """One datagram: a payload of 1 to 16 bytes and its sequence number, 0 to 0xFFFFFFFF."""

    payload_type: PayloadType
    sequence: int
    payload: bytes

    def encode(self) -> bytes:
        """Return the datagram. Raises ValueError for a payload or a number that does not fit."""
        if not 1 <= len(self.payload) <= LONGEST_PAYLOAD:
            raise ValueError(f"a payload has 1 to {LONGEST_PAYLOAD} bytes, not {len(self.payload)}")
        if not 0 <= self.sequence < NUMBERS:
            raise ValueError(f"a sequence number is 0 to {NUMBERS - 1}, not {self.sequence}")
        return _HEADER.pack(self.payload_type, len(self.payload), self.sequence) + self.payload

    @classmethod
    def decode(cls, datagram: bytes) -> Packet:
        """Read a datagram. Raises PacketError."""
        size = len(datagram) - _HEADER.size
        if size < 1:
            raise PacketError(f"{len(datagram)} bytes are too few: a packet has a header of 8 and a payload of 1 to 16")
        number, length, sequence = _HEADER.unpack_from(datagram)
        kind = _TYPES.get(number)
        if kind is None:
            raise PacketError(f"there is no payload type {number:04X}")
        if length != size:
            raise PacketError(f"the header promises {length} bytes of payload, and {size} came")
        if size > LONGEST_PAYLOAD:
            raise PacketError(f"a payload of {size} bytes is too long: it has 1 to {LONGEST_PAYLOAD}")
        return cls(kind, sequence, datagram[_HEADER.size :])


def following(sequence: int) -> int:
    """Return the sequence number of the next message: one more, and 0 after the greatest."""
    return (sequence + 1) % NUMBERS
