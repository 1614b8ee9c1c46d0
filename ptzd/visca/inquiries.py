"""What a camera can be asked: `81 09 ... FF`, answered by `90 50 data FF`.

| inquiry | ask | data | source |
|---|---|---|---|
| power | `81 09 04 00 FF` | `02` on, `03` standby | LUMiO 12x, UV950A |
| zoom | `81 09 04 47 FF` | four nibbles | the same |
| focus mode | `81 09 04 38 FF` | `02` auto, `03` manual | the same |
| focus | `81 09 04 48 FF` | four nibbles | the same |
| digital zoom | `81 09 04 06 FF` | `02` on, `03` off | from memory |
| pan-tilt position | `81 09 06 12 FF` | four signed nibbles each; five for a wide pan field | TLC-700-S |
| fastest speeds | `81 09 06 11 FF` | pan step, tilt step | TLC-700-S |
| pan-tilt status | `81 09 06 10 FF` | the status word, high byte first (the packing from memory) | EVI-D80 |
| slow mode, of heads that have one | `81 09 06 44 FF` | `02` on, `03` off | from memory |
| version | `81 09 00 02 FF` | vendor, model, ROM revision (two bytes each), sockets | FCB-EH4300 |

Each inquiry reads an answer's data into a value, and for a simulated camera makes data of a value.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import Enum, IntEnum
from typing import Any, ClassVar, Generic, TypeVar

from .dialect import Dialect
from .nibbles import MessageError, from_nibbles, from_signed_nibbles, to_nibbles, to_signed_nibbles

T = TypeVar("T")


class Power(IntEnum):
    """Whether the camera runs."""

    ON = 2
    STANDBY = 3


class FocusMode(IntEnum):
    """Whether the camera focuses by itself."""

    AUTO = 2
    MANUAL = 3


class Initialisation(Enum):
    """Whether the head has found its ends."""

    NOT_DONE = 0
    IN_PROGRESS = 1
    DONE = 2
    FAILED = 3


class Movement(Enum):
    """What became of the last move asked for."""

    NONE_ASKED = 0
    UNDER_WAY = 1
    COMPLETED = 2
    FAILED = 3


@dataclass(frozen=True, slots=True)
class PanTiltPosition:
    """Where the head stands."""

    pan_counts: int
    tilt_counts: int


@dataclass(frozen=True, slots=True)
class FastestSpeeds:
    """The fastest step of each axis."""

    pan_step: int
    tilt_step: int


@dataclass(frozen=True, slots=True)
class PanTiltStatus:
    """The status word, bit by bit. Source: EVI-D80 technical manual, "Pan/tilt status code list"."""

    initialisation: Initialisation
    movement: Movement
    tilt_fault: bool = False  # its position is not detected
    pan_fault: bool = False
    at_down_end: bool = False
    at_up_end: bool = False
    at_right_end: bool = False
    at_left_end: bool = False

    @classmethod
    def from_word(cls, word: int) -> PanTiltStatus:
        """Read 16 bits; bits without a meaning are passed over."""
        return cls(
            initialisation=Initialisation(word >> 12 & 3),
            movement=Movement(word >> 10 & 3),
            tilt_fault=bool(word >> 8 & 3),
            pan_fault=bool(word >> 4 & 3),
            at_down_end=bool(word & 8),
            at_up_end=bool(word & 4),
            at_right_end=bool(word & 2),
            at_left_end=bool(word & 1),
        )

    @property
    def word(self) -> int:
        """The 16 bits as sent."""
        return (
            self.initialisation.value << 12
            | self.movement.value << 10
            | self.tilt_fault << 8
            | self.pan_fault << 4
            | self.at_down_end << 3
            | self.at_up_end << 2
            | self.at_right_end << 1
            | self.at_left_end
        )


@dataclass(frozen=True, slots=True)
class Version:
    """What the camera is."""

    vendor: int
    model: int
    rom: int
    sockets: int


@dataclass(frozen=True, slots=True)
class Inquiry(ABC, Generic[T]):
    """A question whose answer is a T."""

    message: ClassVar[bytes]
    asks: ClassVar[str]  # what a camera tells that answers it, in words

    def encode(self, dialect: Dialect) -> bytes:
        """Return the whole message, address and terminator included."""
        return self.message

    @abstractmethod
    def read(self, data: bytes, dialect: Dialect) -> T:
        """Return what an answer's data means. Raises MessageError."""

    @abstractmethod
    def answer(self, value: T, dialect: Dialect) -> bytes:
        """Return the data of an answer, for `Answer`. Raises ValueError for a value that does not fit."""


class _LensInquiry(Inquiry[int]):
    def read(self, data: bytes, dialect: Dialect) -> int:
        return from_nibbles(_sized(data, 4))

    def answer(self, value: int, dialect: Dialect) -> bytes:
        return to_nibbles(value, 4)


class _SwitchInquiry(Inquiry[bool]):
    def read(self, data: bytes, dialect: Dialect) -> bool:
        return _either(data)

    def answer(self, value: bool, dialect: Dialect) -> bytes:
        return b"\x02" if value else b"\x03"


class PowerInquiry(Inquiry[Power]):
    """Is the camera on?"""

    message = bytes.fromhex("81 09 04 00 FF")
    asks = "whether it is on"

    def read(self, data: bytes, dialect: Dialect) -> Power:
        return Power.ON if _either(data) else Power.STANDBY

    def answer(self, value: Power, dialect: Dialect) -> bytes:
        return bytes((value,))


class ZoomInquiry(_LensInquiry):
    """Where does the zoom stand, in counts?"""

    message = bytes.fromhex("81 09 04 47 FF")
    asks = "where its zoom stands"


class FocusInquiry(_LensInquiry):
    """Where does the focus stand, in counts?"""

    message = bytes.fromhex("81 09 04 48 FF")
    asks = "where its focus stands"


class FocusModeInquiry(Inquiry[FocusMode]):
    """Does the camera focus by itself?"""

    message = bytes.fromhex("81 09 04 38 FF")
    asks = "whether it focuses by itself"

    def read(self, data: bytes, dialect: Dialect) -> FocusMode:
        return FocusMode.AUTO if _either(data) else FocusMode.MANUAL

    def answer(self, value: FocusMode, dialect: Dialect) -> bytes:
        return bytes((value,))


class DigitalZoomInquiry(_SwitchInquiry):
    """Is digital zoom on?"""

    message = bytes.fromhex("81 09 04 06 FF")
    asks = "whether digital zoom is on"


class PanTiltPositionInquiry(Inquiry[PanTiltPosition]):
    """Where does the head stand?"""

    message = bytes.fromhex("81 09 06 12 FF")
    asks = "where its head stands"

    def read(self, data: bytes, dialect: Dialect) -> PanTiltPosition:
        width = dialect.pan_nibbles
        _sized(data, width + 4)
        return PanTiltPosition(from_signed_nibbles(data[:width]), from_signed_nibbles(data[width:]))

    def answer(self, value: PanTiltPosition, dialect: Dialect) -> bytes:
        return to_signed_nibbles(value.pan_counts, dialect.pan_nibbles) + to_signed_nibbles(value.tilt_counts, 4)


class FastestSpeedsInquiry(Inquiry[FastestSpeeds]):
    """What is the fastest step of each axis?"""

    message = bytes.fromhex("81 09 06 11 FF")
    asks = "its fastest steps"

    def read(self, data: bytes, dialect: Dialect) -> FastestSpeeds:
        return FastestSpeeds(*_sized(data, 2))

    def answer(self, value: FastestSpeeds, dialect: Dialect) -> bytes:
        return bytes((value.pan_step, value.tilt_step))


class PanTiltStatusInquiry(Inquiry[PanTiltStatus]):
    """What does the head do, and is anything wrong with it?"""

    message = bytes.fromhex("81 09 06 10 FF")
    asks = "whether its head has found its ends"

    def read(self, data: bytes, dialect: Dialect) -> PanTiltStatus:
        return PanTiltStatus.from_word(int.from_bytes(_sized(data, 2), "big"))

    def answer(self, value: PanTiltStatus, dialect: Dialect) -> bytes:
        return value.word.to_bytes(2, "big")


class SlowModeInquiry(_SwitchInquiry):
    """Are the steps those of slow mode? Heads without one do not know the question."""

    message = bytes.fromhex("81 09 06 44 FF")
    asks = "whether its slow mode is on"


class VersionInquiry(Inquiry[Version]):
    """What is the camera?"""

    message = bytes.fromhex("81 09 00 02 FF")
    asks = "what it is"

    def read(self, data: bytes, dialect: Dialect) -> Version:
        _sized(data, 7)
        vendor, model, rom = (int.from_bytes(data[at : at + 2], "big") for at in (0, 2, 4))
        return Version(vendor, model, rom, data[6])

    def answer(self, value: Version, dialect: Dialect) -> bytes:
        words = (value.vendor, value.model, value.rom)
        return b"".join(word.to_bytes(2, "big") for word in words) + bytes((value.sockets,))


INQUIRIES: tuple[Inquiry[Any], ...] = (
    PowerInquiry(),
    ZoomInquiry(),
    FocusInquiry(),
    FocusModeInquiry(),
    DigitalZoomInquiry(),
    PanTiltPositionInquiry(),
    FastestSpeedsInquiry(),
    PanTiltStatusInquiry(),
    SlowModeInquiry(),
    VersionInquiry(),
)
_BY_MESSAGE = {inquiry.message: inquiry for inquiry in INQUIRIES}


def parse_inquiry(message: bytes) -> Inquiry[Any]:
    """Read a message to a camera. Raises MessageError for one that is no inquiry listed here."""
    try:
        return _BY_MESSAGE[message]
    except KeyError:
        raise MessageError(f"{message.hex(' ')} is no inquiry that this camera knows") from None


def _sized(data: bytes, size: int) -> bytes:
    if len(data) != size:
        raise MessageError(f"the answer has {len(data)} bytes, and {size} were due")
    return data


def _either(data: bytes) -> bool:
    if data not in (b"\x02", b"\x03"):
        raise MessageError(f"the answer is {data.hex(' ')}, and 02 or 03 was due")
    return data == b"\x02"
