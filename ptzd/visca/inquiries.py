"""Every question, and how its answer reads.

Sources: [D] TLC-700-S user manual; [E] LUMiO 12x VISCA command list, UV950A user manual; [F] FCB-EH4300 VISCA
reference; [H] EVI-D80 technical manual, "Pan/tilt status code list". "From memory" where so marked.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Any, ClassVar, Generic, TypeVar

from .dialect import Dialect
from .nibbles import from_nibbles, from_signed_nibbles, to_nibbles
from .replies import MessageError

T = TypeVar("T")


class Inquiry(ABC, Generic[T]):
    """A question. `encode` returns it from address to FF; `read` takes the answer's bytes between `90 50` and `FF`."""

    __slots__ = ()
    BODY: ClassVar[bytes]

    def encode(self, dialect: Dialect) -> bytes:
        """Return the bytes of the question."""
        return b"\x81\x09" + self.BODY + b"\xff"

    def read(self, data: bytes, dialect: Dialect) -> T:
        """Return what the camera answered. Raises MessageError."""
        try:
            value = self._read(data, dialect)
            if self.answer(value, dialect) != data:
                raise ValueError
        except (ValueError, IndexError, KeyError):
            raise MessageError(f"{data.hex(' ')} is no answer to {type(self).__name__}") from None
        return value

    @abstractmethod
    def _read(self, data: bytes, dialect: Dialect) -> T: ...

    @abstractmethod
    def answer(self, value: T, dialect: Dialect) -> bytes:
        """Return the answer's bytes, for a camera that is asked."""


class Power(Enum):
    """[E]"""

    ON = 2
    STANDBY = 3


class FocusMode(Enum):
    """[E]"""

    AUTO = 2
    MANUAL = 3


@dataclass(frozen=True)
class PowerInquiry(Inquiry[Power]):
    """[E]"""

    BODY: ClassVar[bytes] = b"\x04\x00"

    def _read(self, data: bytes, dialect: Dialect) -> Power:
        return Power(data[0])

    def answer(self, value: Power, dialect: Dialect) -> bytes:
        return bytes((value.value,))


@dataclass(frozen=True)
class FocusModeInquiry(Inquiry[FocusMode]):
    """[E]"""

    BODY: ClassVar[bytes] = b"\x04\x38"

    def _read(self, data: bytes, dialect: Dialect) -> FocusMode:
        return FocusMode(data[0])

    def answer(self, value: FocusMode, dialect: Dialect) -> bytes:
        return bytes((value.value,))


@dataclass(frozen=True)
class DigitalZoomInquiry(Inquiry[bool]):
    """Whether digital zoom is on. From memory."""

    BODY: ClassVar[bytes] = b"\x04\x06"

    def _read(self, data: bytes, dialect: Dialect) -> bool:
        return {2: True, 3: False}[data[0]]

    def answer(self, value: bool, dialect: Dialect) -> bytes:
        return b"\x02" if value else b"\x03"


@dataclass(frozen=True)
class ZoomInquiry(Inquiry[int]):
    """Zoom counts [E]."""

    BODY: ClassVar[bytes] = b"\x04\x47"

    def _read(self, data: bytes, dialect: Dialect) -> int:
        return from_nibbles(data)

    def answer(self, value: int, dialect: Dialect) -> bytes:
        return to_nibbles(value, 4)


@dataclass(frozen=True)
class FocusInquiry(Inquiry[int]):
    """Focus counts [E]."""

    BODY: ClassVar[bytes] = b"\x04\x48"

    def _read(self, data: bytes, dialect: Dialect) -> int:
        return from_nibbles(data)

    def answer(self, value: int, dialect: Dialect) -> bytes:
        return to_nibbles(value, 4)


@dataclass(frozen=True, slots=True)
class PanTiltPosition:
    """Counts; right and up are positive (from memory)."""

    pan_counts: int
    tilt_counts: int


@dataclass(frozen=True)
class PanTiltPositionInquiry(Inquiry[PanTiltPosition]):
    """[D]; with a wide pan field, from memory."""

    BODY: ClassVar[bytes] = b"\x06\x12"

    def _read(self, data: bytes, dialect: Dialect) -> PanTiltPosition:
        wide = dialect.pan_nibbles
        return PanTiltPosition(from_signed_nibbles(data[:wide]), from_signed_nibbles(data[wide:]))

    def answer(self, value: PanTiltPosition, dialect: Dialect) -> bytes:
        return to_nibbles(value.pan_counts, dialect.pan_nibbles) + to_nibbles(value.tilt_counts, 4)


@dataclass(frozen=True, slots=True)
class FastestSpeeds:
    """The highest speed steps."""

    pan_step: int
    tilt_step: int


@dataclass(frozen=True)
class FastestSpeedsInquiry(Inquiry[FastestSpeeds]):
    """[D]"""

    BODY: ClassVar[bytes] = b"\x06\x11"

    def _read(self, data: bytes, dialect: Dialect) -> FastestSpeeds:
        return FastestSpeeds(data[0], data[1])

    def answer(self, value: FastestSpeeds, dialect: Dialect) -> bytes:
        return bytes((value.pan_step, value.tilt_step))


class Initialisation(IntEnum):
    """Bits 13 and 12 of the status word [H]."""

    NOT_DONE = 0
    IN_PROGRESS = 1
    DONE = 2
    FAILED = 3


class Movement(IntEnum):
    """Bits 11 and 10 of the status word [H]."""

    NONE_ASKED = 0
    UNDER_WAY = 1
    COMPLETED = 2
    FAILED = 3


@dataclass(frozen=True, slots=True)
class PanTiltStatus:
    """The status word [H], read; a fault means that the axis does not know its position."""

    initialisation: Initialisation
    movement: Movement
    tilt_fault: bool = False
    pan_fault: bool = False
    at_down_end: bool = False
    at_up_end: bool = False
    at_right_end: bool = False
    at_left_end: bool = False

    @property
    def word(self) -> int:
        """The 16 bits."""
        return (
            self.initialisation << 12
            | self.movement << 10
            | self.tilt_fault << 8
            | self.pan_fault << 4
            | self.at_down_end << 3
            | self.at_up_end << 2
            | self.at_right_end << 1
            | self.at_left_end
        )

    @classmethod
    def from_word(cls, word: int) -> PanTiltStatus:
        """Read the 16 bits; those that the document leaves open are passed over."""
        return cls(
            Initialisation(word >> 12 & 3),
            Movement(word >> 10 & 3),
            tilt_fault=word >> 8 & 3 == 1,
            pan_fault=word >> 4 & 3 == 1,
            at_down_end=bool(word & 8),
            at_up_end=bool(word & 4),
            at_right_end=bool(word & 2),
            at_left_end=bool(word & 1),
        )


@dataclass(frozen=True)
class PanTiltStatusInquiry(Inquiry[PanTiltStatus]):
    """The word [H]; how the reply packs it, two bytes with the higher first, from memory."""

    BODY: ClassVar[bytes] = b"\x06\x10"

    def read(self, data: bytes, dialect: Dialect) -> PanTiltStatus:
        if len(data) != 2:
            raise MessageError(f"{data.hex(' ')} is no pan-tilt status")
        return self._read(data, dialect)

    def _read(self, data: bytes, dialect: Dialect) -> PanTiltStatus:
        return PanTiltStatus.from_word(int.from_bytes(data, "big"))

    def answer(self, value: PanTiltStatus, dialect: Dialect) -> bytes:
        return value.word.to_bytes(2, "big")


@dataclass(frozen=True, slots=True)
class Version:
    """Who made the camera, and how many sockets it has."""

    vendor: int
    model: int
    rom: int
    sockets: int


@dataclass(frozen=True)
class VersionInquiry(Inquiry[Version]):
    """[F]"""

    BODY: ClassVar[bytes] = b"\x00\x02"

    def _read(self, data: bytes, dialect: Dialect) -> Version:
        vendor, model, rom = (int.from_bytes(data[at : at + 2], "big") for at in (0, 2, 4))
        return Version(vendor, model, rom, data[6])

    def answer(self, value: Version, dialect: Dialect) -> bytes:
        words = (value.vendor, value.model, value.rom)
        return b"".join(word.to_bytes(2, "big") for word in words) + bytes((value.sockets,))


_INQUIRIES: dict[bytes, Inquiry[Any]] = {each.BODY: each() for each in Inquiry.__subclasses__()}


def parse_inquiry(message: bytes) -> Inquiry[Any]:
    """Read a question. Raises MessageError for one that is unknown."""
    if message[:2] != b"\x81\x09" or message[-1:] != b"\xff" or message[2:-1] not in _INQUIRIES:
        raise MessageError(f"{message.hex(' ')} is no question that is known here")
    return _INQUIRIES[message[2:-1]]
