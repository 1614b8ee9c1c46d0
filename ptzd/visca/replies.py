"""What a camera says: ACK, completion, answer, error.

Source [A]: SRG-300H technical manual, "Command list"; [F]: FCB-EH4300 VISCA reference.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

END = 0xFF


class MessageError(ValueError):
    """Bytes that are no VISCA message of the kind expected; the text says why."""


class ErrorCode(IntEnum):
    """The third byte of an error reply [A]; MESSAGE_LENGTH on some serial cameras [F]."""

    MESSAGE_LENGTH = 0x01
    SYNTAX = 0x02
    BUFFER_FULL = 0x03
    CANCELLED = 0x04
    NO_SOCKET = 0x05
    NOT_EXECUTABLE = 0x41


@dataclass(frozen=True, slots=True)
class Ack:
    """`90 4s FF`: the command holds socket s."""

    socket: int

    def encode(self) -> bytes:
        return bytes((0x90, 0x40 | self.socket, END))


@dataclass(frozen=True, slots=True)
class Completion:
    """`90 5s FF`: the command in socket s has ended; socket 0 for what uses none."""

    socket: int

    def encode(self) -> bytes:
        return bytes((0x90, 0x50 | self.socket, END))


@dataclass(frozen=True, slots=True)
class Answer:
    """`90 50 … FF`: the answer to an inquiry, without the bytes around it."""

    data: bytes

    def encode(self) -> bytes:
        return b"\x90\x50" + self.data + b"\xff"


@dataclass(frozen=True, slots=True)
class ErrorReply:
    """`90 6s ee FF`."""

    socket: int
    code: ErrorCode

    def encode(self) -> bytes:
        return bytes((0x90, 0x60 | self.socket, self.code, END))


Reply = Ack | Completion | Answer | ErrorReply


def parse_reply(message: bytes) -> Reply:
    """Read one reply. Raises MessageError."""
    if len(message) < 3 or message[0] != 0x90 or message[-1] != END or END in message[:-1]:
        raise MessageError(f"{message.hex(' ')} is no reply: one begins with 90 and ends with the first FF")
    kind, socket, rest = message[1] >> 4, message[1] & 0xF, message[2:-1]
    if kind == 4 and not rest:
        return Ack(socket)
    if kind == 5:
        if not rest:
            return Completion(socket)
        if socket == 0:
            return Answer(rest)
    if kind == 6 and len(rest) == 1 and rest[0] in _CODES:
        return ErrorReply(socket, _CODES[rest[0]])
    raise MessageError(f"{message.hex(' ')} is no ACK, completion, answer or error")


_CODES = {int(each): each for each in ErrorCode}
