"""Every command that a controller sends, as a value; bytes from it and back.

Sources: [A] SRG-300H technical manual, "Command list"; [B] the same, "Execution command list (4/4)"; [C] SRG-X400
command list, "Pan tilt"; [E] LUMiO 12x VISCA command list, UV950A user manual, "VISCA protocol"; [F] FCB-EH4300 VISCA
reference. "From memory" where so marked.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, Literal

from .dialect import Dialect
from .nibbles import from_nibbles, from_signed_nibbles, to_nibbles
from .replies import MessageError

Direction = Literal[-1, 0, 1]


class Command(ABC):
    """A message with payload type 0100; `encode` returns it from address to FF. Raises ValueError out of range."""

    __slots__ = ()

    @abstractmethod
    def encode(self, dialect: Dialect) -> bytes:
        """Return the bytes for a head of this dialect."""


def _whole(body: bytes) -> bytes:
    return b"\x81\x01" + body + b"\xff"


def _in(value: int, least: int, most: int, what: str) -> int:
    if not least <= value <= most:
        raise ValueError(f"{what} {value} is out of range; {least} to {most} are possible")
    return value


class _Plain(Command):
    """A command without a parameter."""

    __slots__ = ()
    BODY: ClassVar[bytes]

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(self.BODY)


@dataclass(frozen=True)
class PowerOn(_Plain):
    """Start the camera [A]. The head sweeps its whole range: ask before sending it."""

    BODY: ClassVar[bytes] = b"\x04\x00\x02"


@dataclass(frozen=True)
class PowerStandby(_Plain):
    """[A]"""

    BODY: ClassVar[bytes] = b"\x04\x00\x03"


@dataclass(frozen=True)
class ZoomStop(_Plain):
    """[E]"""

    BODY: ClassVar[bytes] = b"\x04\x07\x00"


@dataclass(frozen=True)
class DigitalZoomOn(_Plain):
    """From memory."""

    BODY: ClassVar[bytes] = b"\x04\x06\x02"


@dataclass(frozen=True)
class DigitalZoomOff(_Plain):
    """From memory."""

    BODY: ClassVar[bytes] = b"\x04\x06\x03"


@dataclass(frozen=True)
class FocusStop(_Plain):
    """[E]"""

    BODY: ClassVar[bytes] = b"\x04\x08\x00"


@dataclass(frozen=True)
class FocusAuto(_Plain):
    """[A]"""

    BODY: ClassVar[bytes] = b"\x04\x38\x02"


@dataclass(frozen=True)
class FocusManual(_Plain):
    """[A]"""

    BODY: ClassVar[bytes] = b"\x04\x38\x03"


@dataclass(frozen=True)
class FocusOnePush(_Plain):
    """From memory."""

    BODY: ClassVar[bytes] = b"\x04\x18\x01"


@dataclass(frozen=True)
class PanTiltHome(_Plain):
    """[B, C]"""

    BODY: ClassVar[bytes] = b"\x06\x04"


@dataclass(frozen=True)
class PanTiltReset(_Plain):
    """Sweep the whole range and find the ends anew [B, C]."""

    BODY: ClassVar[bytes] = b"\x06\x05"


@dataclass(frozen=True)
class SlowModeOn(_Plain):
    """Some heads [C]."""

    BODY: ClassVar[bytes] = b"\x06\x44\x02"


@dataclass(frozen=True)
class SlowModeOff(_Plain):
    """Some heads [C]."""

    BODY: ClassVar[bytes] = b"\x06\x44\x03"


@dataclass(frozen=True)
class TallyLampOn(_Plain):
    """From memory."""

    BODY: ClassVar[bytes] = b"\x7e\x01\x0a\x00\x02"


@dataclass(frozen=True)
class TallyLampOff(_Plain):
    """From memory."""

    BODY: ClassVar[bytes] = b"\x7e\x01\x0a\x00\x03"


@dataclass(frozen=True, slots=True)
class ZoomTele(Command):
    """Zoom in. Speed 0..7, or None for the camera's standard speed [E]."""

    speed: int | None = None

    def encode(self, dialect: Dialect) -> bytes:
        how = 0x02 if self.speed is None else 0x20 | _in(self.speed, 0, 7, "speed")
        return _whole(bytes((0x04, 0x07, how)))


@dataclass(frozen=True, slots=True)
class ZoomWide(Command):
    """Zoom out. Speed 0..7, or None for the camera's standard speed [E]."""

    speed: int | None = None

    def encode(self, dialect: Dialect) -> bytes:
        how = 0x03 if self.speed is None else 0x30 | _in(self.speed, 0, 7, "speed")
        return _whole(bytes((0x04, 0x07, how)))


@dataclass(frozen=True, slots=True)
class FocusFar(Command):
    """Focus away. Speed 0..7, or None for the camera's standard speed [E]."""

    speed: int | None = None

    def encode(self, dialect: Dialect) -> bytes:
        how = 0x02 if self.speed is None else 0x20 | _in(self.speed, 0, 7, "speed")
        return _whole(bytes((0x04, 0x08, how)))


@dataclass(frozen=True, slots=True)
class FocusNear(Command):
    """Focus closer. Speed 0..7, or None for the camera's standard speed [E]."""

    speed: int | None = None

    def encode(self, dialect: Dialect) -> bytes:
        how = 0x03 if self.speed is None else 0x30 | _in(self.speed, 0, 7, "speed")
        return _whole(bytes((0x04, 0x08, how)))


@dataclass(frozen=True, slots=True)
class ZoomDirect(Command):
    """Zoom to a position: 0 the wide end, 0x4000 the optical tele end [E]."""

    zoom_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(b"\x04\x47" + to_nibbles(_in(self.zoom_counts, 0, 0xFFFF, "zoom"), 4))


@dataclass(frozen=True, slots=True)
class FocusDirect(Command):
    """Focus at a position [E]; not executable in auto focus."""

    focus_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(b"\x04\x48" + to_nibbles(_in(self.focus_counts, 0, 0xFFFF, "focus"), 4))


@dataclass(frozen=True, slots=True)
class ZoomFocusDirect(Command):
    """Both at once, in one socket [E]."""

    zoom_counts: int
    focus_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        zoom = to_nibbles(_in(self.zoom_counts, 0, 0xFFFF, "zoom"), 4)
        return _whole(b"\x04\x47" + zoom + to_nibbles(_in(self.focus_counts, 0, 0xFFFF, "focus"), 4))


@dataclass(frozen=True, slots=True)
class _Memory(Command):
    number: int
    ACTION: ClassVar[int]

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(bytes((0x04, 0x3F, self.ACTION, _in(self.number, 0, 0xFE, "memory number"))))


@dataclass(frozen=True, slots=True)
class MemoryReset(_Memory):
    """Empty a memory of the camera's own. From memory."""

    ACTION: ClassVar[int] = 0


@dataclass(frozen=True, slots=True)
class MemorySet(_Memory):
    """Keep the framing in a memory of the camera's own. From memory."""

    ACTION: ClassVar[int] = 1


@dataclass(frozen=True, slots=True)
class MemoryRecall(_Memory):
    """Go to a memory of the camera's own. From memory."""

    ACTION: ClassVar[int] = 2


@dataclass(frozen=True, slots=True)
class MemoryRecallSpeed(Command):
    """Speed step 1..24 of a memory's recall, on some cameras. From memory."""

    number: int
    step: int

    def encode(self, dialect: Dialect) -> bytes:
        number = _in(self.number, 0, 0xFE, "memory number")
        return _whole(bytes((0x7E, 0x01, 0x0B, number, _in(self.step, 1, 24, "speed step"))))


_DIRECTIONS: dict[Direction, int] = {0: 3, -1: 1, 1: 2}


@dataclass(frozen=True, slots=True)
class PanTiltDrive(Command):
    """Move until told otherwise [B, C]. Direction 1 is right, or up; 0 holds the axis still."""

    pan_step: int
    tilt_step: int
    pan: Direction
    tilt: Direction

    def encode(self, dialect: Dialect) -> bytes:
        up = {0: 3, 1: 1, -1: 2}[self.tilt]
        return _whole(b"\x06\x01" + _steps(dialect, self.pan_step, self.tilt_step) + bytes((_DIRECTIONS[self.pan], up)))


@dataclass(frozen=True, slots=True)
class PanTiltStop(Command):
    """End all pan and tilt motion: a drive with neither direction [B, C]."""

    def encode(self, dialect: Dialect) -> bytes:
        return b"\x81\x01\x06\x01\x01\x01\x03\x03\xff"


@dataclass(frozen=True, slots=True)
class PanTiltAbsolute(Command):
    """Go to a position. On a head with one shared speed [C] only the pan step is sent."""

    pan_counts: int
    tilt_counts: int
    pan_step: int
    tilt_step: int

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(b"\x06\x02" + _target(dialect, self))


@dataclass(frozen=True, slots=True)
class PanTiltRelative(Command):
    """Go so many counts from here [B, C]. Sent twice it goes twice as far: never repeat one that is in doubt."""

    pan_counts: int
    tilt_counts: int
    pan_step: int
    tilt_step: int

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(b"\x06\x03" + _target(dialect, self))


def _steps(dialect: Dialect, pan_step: int, tilt_step: int) -> bytes:
    return bytes(
        (
            _in(pan_step, 1, dialect.pan.fastest_step, "pan step"),
            _in(tilt_step, 1, dialect.tilt.fastest_step, "tilt step"),
        )
    )


def _target(dialect: Dialect, command: PanTiltAbsolute | PanTiltRelative) -> bytes:
    if dialect.absolute == "two-speed":
        steps = _steps(dialect, command.pan_step, command.tilt_step)
    else:
        steps = bytes((_in(command.pan_step, 1, dialect.pan.fastest_step, "speed step"), 0))
    return steps + to_nibbles(command.pan_counts, dialect.pan_nibbles) + to_nibbles(command.tilt_counts, 4)


Corner = Literal["up-right", "down-left"]
_CORNERS: dict[Corner, int] = {"up-right": 1, "down-left": 0}


@dataclass(frozen=True, slots=True)
class PanTiltLimitSet(Command):
    """Let the head go no further than this corner [B]."""

    corner: Corner
    pan_counts: int
    tilt_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        where = to_nibbles(self.pan_counts, dialect.pan_nibbles) + to_nibbles(self.tilt_counts, 4)
        return _whole(bytes((0x06, 0x07, 0x00, _CORNERS[self.corner])) + where)


@dataclass(frozen=True, slots=True)
class PanTiltLimitClear(Command):
    """Let the head use its whole range again [B]."""

    corner: Corner

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(bytes((0x06, 0x07, 0x01, _CORNERS[self.corner])) + b"\x07\x0f\x0f\x0f" * 2)


@dataclass(frozen=True, slots=True)
class RampCurve(Command):
    """Choose how a head gathers speed, on some heads [C]; 1 is the sharpest."""

    level: int

    def encode(self, dialect: Dialect) -> bytes:
        return _whole(bytes((0x06, 0x31, _in(self.level, 1, 15, "ramp curve"))))


@dataclass(frozen=True, slots=True)
class Cancel(Command):
    """End the command in a socket [A]; answered `90 6s 04 FF`."""

    socket: int

    def encode(self, dialect: Dialect) -> bytes:
        return bytes((0x81, 0x20 | _in(self.socket, 1, 2, "socket"), 0xFF))


@dataclass(frozen=True, slots=True)
class Clear(Command):
    """IF_Clear: empty both sockets [A]; answered `90 50 FF`, with no ACK."""

    def encode(self, dialect: Dialect) -> bytes:
        return b"\x81\x01\x00\x01\xff"


def parse_command(message: bytes, dialect: Dialect) -> Command:
    """Read a command as a head of this dialect would. Raises MessageError for what no head understands."""
    if len(message) < 3 or len(message) > 16 or message[0] != 0x81 or message[-1] != 0xFF or 0xFF in message[:-1]:
        raise MessageError(f"{message.hex(' ')} is no command: one begins with 81 and ends with the first FF")
    if message[1] >> 4 == 2 and len(message) == 3 and message[1] & 0xF in (1, 2):
        return Cancel(message[1] & 0xF)
    if message[1] != 0x01:
        raise MessageError(f"{message.hex(' ')} is no command: the second byte is not 01")
    body = message[2:-1]
    if body in _PLAIN:
        return _PLAIN[body]
    try:
        command = _parameters(body, dialect)
        command.encode(dialect)
    except (ValueError, KeyError, IndexError) as error:
        raise MessageError(f"{message.hex(' ')} has a parameter out of range: {error}") from None
    return command


_PLAIN: dict[bytes, Command] = {
    **{each.BODY: each() for each in _Plain.__subclasses__()},
    b"\x00\x01": Clear(),
    b"\x04\x07\x02": ZoomTele(),
    b"\x04\x07\x03": ZoomWide(),
    b"\x04\x08\x02": FocusFar(),
    b"\x04\x08\x03": FocusNear(),
}
_LENS: dict[tuple[int, int], Callable[[int], Command]] = {
    (0x07, 2): ZoomTele,
    (0x07, 3): ZoomWide,
    (0x08, 2): FocusFar,
    (0x08, 3): FocusNear,
}
_CORNER_OF: dict[int, Corner] = {1: "up-right", 0: "down-left"}
_PAN_OF: dict[int, Direction] = {1: -1, 2: 1, 3: 0}
_TILT_OF: dict[int, Direction] = {1: 1, 2: -1, 3: 0}


def _parameters(body: bytes, dialect: Dialect) -> Command:
    wide = dialect.pan_nibbles
    rest = body[2:]
    match tuple(body[:2]):
        case (0x04, 0x07 | 0x08) if len(rest) == 1:
            return _LENS[body[1], rest[0] >> 4](rest[0] & 0xF)
        case (0x04, 0x47) if len(rest) == 4:
            return ZoomDirect(from_nibbles(rest))
        case (0x04, 0x47) if len(rest) == 8:
            return ZoomFocusDirect(from_nibbles(rest[:4]), from_nibbles(rest[4:]))
        case (0x04, 0x48) if len(rest) == 4:
            return FocusDirect(from_nibbles(rest))
        case (0x04, 0x3F) if len(rest) == 2:
            return (MemoryReset, MemorySet, MemoryRecall)[rest[0]](rest[1])
        case (0x7E, 0x01) if len(rest) == 3 and rest[0] == 0x0B:
            return MemoryRecallSpeed(rest[1], rest[2])
        case (0x06, 0x01) if len(rest) == 4:
            if rest[2:] == b"\x03\x03":
                return PanTiltStop()
            return PanTiltDrive(rest[0], rest[1], _PAN_OF[rest[2]], _TILT_OF[rest[3]])
        case (0x06, (0x02 | 0x03) as how) if len(rest) == 2 + wide + 4:
            kind = PanTiltAbsolute if how == 0x02 else PanTiltRelative
            shared = dialect.absolute == "shared-speed"
            if shared and rest[1] != 0:
                raise ValueError("a head with one shared speed takes 00 as the second")
            pan, tilt = from_signed_nibbles(rest[2 : 2 + wide]), from_signed_nibbles(rest[2 + wide :])
            return kind(pan, tilt, rest[0], rest[0] if shared else rest[1])
        case (0x06, 0x07) if len(rest) == 2 + wide + 4 and rest[0] == 0:
            pan, tilt = from_signed_nibbles(rest[2 : 2 + wide]), from_signed_nibbles(rest[2 + wide :])
            return PanTiltLimitSet(_CORNER_OF[rest[1]], pan, tilt)
        case (0x06, 0x07) if len(rest) == 10 and rest[0] == 1:
            return PanTiltLimitClear(_CORNER_OF[rest[1]])
        case (0x06, 0x31) if len(rest) == 1:
            return RampCurve(rest[0])
        case _:
            raise ValueError("no such command")
