"""What a camera can be told: `81 01 ... FF`. Each command encodes itself; `parse_command` reads the list backwards.

Sources, with [letters] beside each command:
- [A] SRG-300H technical manual, "VISCA over IP" and "Command list"
- [B] the same manual, "Execution command list (4/4)"
- [C] SRG-X400 command list, "Pan tilt"
- [E] LUMiO 12x VISCA command list; UV950A user manual, "VISCA protocol"
- [F] FCB-EH4300 VISCA reference
- "from memory" where no document was at hand

Every `encode` raises ValueError, with a sentence, for a value that the message can't carry. Whether a head reaches a
position is not looked at here: `AxisScale` knows its ends.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from enum import IntEnum
from typing import ClassVar, Literal

from .dialect import Dialect
from .nibbles import MessageError, from_nibbles, from_signed_nibbles, to_nibbles, to_signed_nibbles

LENS_SPEEDS = 8  # 0 to 7
MEMORIES = 128  # 0 to 127; how many a camera has, it alone knows (from memory)
RECALL_STEPS = 24

Direction = Literal[-1, 0, 1]  # 1 is right, or up; 0 holds the axis still


class Command(ABC):
    """Something to be performed, answered by ACK and completion."""

    __slots__ = ()

    @abstractmethod
    def encode(self, dialect: Dialect) -> bytes:
        """Return the whole message, address and terminator included."""


@dataclass(frozen=True, slots=True)
class _Fixed(Command):
    """One that is always the same bytes."""

    message: ClassVar[bytes]

    def encode(self, dialect: Dialect) -> bytes:
        return self.message


@dataclass(frozen=True, slots=True)
class _LensDrive(Command):
    """One that lets the zoom or the focus run on."""

    speed: int | None = None
    lens: ClassVar[int]
    way: ClassVar[int]  # as it is written at the standard speed: 2 or 3

    def encode(self, dialect: Dialect) -> bytes:
        if self.speed is not None and not 0 <= self.speed < LENS_SPEEDS:
            raise ValueError(f"a zoom or focus speed is 0 to {LENS_SPEEDS - 1}, not {self.speed}")
        way = self.way if self.speed is None else self.way << 4 | self.speed
        return bytes((0x81, 0x01, 0x04, self.lens, way, 0xFF))


# Power


class PowerOn(_Fixed):
    """Start the camera; most heads sweep their whole range. [A]"""

    message = bytes.fromhex("81 01 04 00 02 FF")


class PowerStandby(_Fixed):
    """Put the camera to sleep. [A]"""

    message = bytes.fromhex("81 01 04 00 03 FF")


# Zoom


class ZoomStop(_Fixed):
    """End zooming. [E]"""

    message = bytes.fromhex("81 01 04 07 00 FF")


class ZoomTele(_LensDrive):
    """Zoom in until told to stop, at speed 0 to 7 or at the camera's standard speed. [E]"""

    lens, way = 0x07, 0x02


class ZoomWide(_LensDrive):
    """Zoom out until told to stop, at speed 0 to 7 or at the camera's standard speed. [E]"""

    lens, way = 0x07, 0x03


@dataclass(frozen=True, slots=True)
class ZoomDirect(Command):
    """Zoom to 0 (wide) to 0x4000 (optical tele end), above that digitally. [E]"""

    zoom_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        return bytes((0x81, 0x01, 0x04, 0x47, *to_nibbles(self.zoom_counts, 4), 0xFF))


@dataclass(frozen=True, slots=True)
class ZoomFocusDirect(Command):
    """Zoom and focus to positions, together. [E]"""

    zoom_counts: int
    focus_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        both = to_nibbles(self.zoom_counts, 4) + to_nibbles(self.focus_counts, 4)
        return bytes((0x81, 0x01, 0x04, 0x47, *both, 0xFF))


class DigitalZoomOn(_Fixed):
    """Allow zooming beyond the optical tele end. From memory."""

    message = bytes.fromhex("81 01 04 06 02 FF")


class DigitalZoomOff(_Fixed):
    """Zoom with the lens alone. From memory."""

    message = bytes.fromhex("81 01 04 06 03 FF")


# Focus


class FocusStop(_Fixed):
    """End focusing. [E]"""

    message = bytes.fromhex("81 01 04 08 00 FF")


class FocusFar(_LensDrive):
    """Focus away until told to stop, at speed 0 to 7 or at the camera's standard speed. [E]"""

    lens, way = 0x08, 0x02


class FocusNear(_LensDrive):
    """Focus closer until told to stop, at speed 0 to 7 or at the camera's standard speed. [E]"""

    lens, way = 0x08, 0x03


@dataclass(frozen=True, slots=True)
class FocusDirect(Command):
    """Focus to a position; not executable in auto focus. [E]"""

    focus_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        return bytes((0x81, 0x01, 0x04, 0x48, *to_nibbles(self.focus_counts, 4), 0xFF))


class FocusAuto(_Fixed):
    """Let the camera focus by itself. [A]"""

    message = bytes.fromhex("81 01 04 38 02 FF")


class FocusManual(_Fixed):
    """Keep the focus where it is put. [A]"""

    message = bytes.fromhex("81 01 04 38 03 FF")


class FocusOnePush(_Fixed):
    """Focus by itself once, now. From memory."""

    message = bytes.fromhex("81 01 04 18 01 FF")


# The camera's own memories, 0 to 127


@dataclass(frozen=True, slots=True)
class _OfAMemory(Command):
    number: int
    deed: ClassVar[int]

    def encode(self, dialect: Dialect) -> bytes:
        return bytes((0x81, 0x01, 0x04, 0x3F, self.deed, _memory(self.number), 0xFF))


class MemoryReset(_OfAMemory):
    """Empty a memory. From memory."""

    deed = 0x00


class MemorySet(_OfAMemory):
    """Keep where the camera stands. From memory."""

    deed = 0x01


class MemoryRecall(_OfAMemory):
    """Go where a memory says. From memory."""

    deed = 0x02


@dataclass(frozen=True, slots=True)
class MemoryRecallSpeed(Command):
    """Choose the step, 1 to 24, at which a memory is recalled; some cameras only. From memory."""

    number: int
    step: int

    def encode(self, dialect: Dialect) -> bytes:
        step = _step("recall", self.step, RECALL_STEPS)
        return bytes((0x81, 0x01, 0x7E, 0x01, 0x0B, _memory(self.number), step, 0xFF))


# Pan and tilt: counts grow to the right and upwards; steps count from 1, the slowest


@dataclass(frozen=True, slots=True)
class PanTiltDrive(Command):
    """Turn until told to stop: `pan` 1 right, -1 left, 0 not; `tilt` 1 up, -1 down, 0 not. [B, C]"""

    pan_step: int
    tilt_step: int
    pan: Direction
    tilt: Direction

    def encode(self, dialect: Dialect) -> bytes:
        steps = _steps(dialect, self.pan_step, self.tilt_step)
        try:
            directions = (_PAN_BYTES[self.pan], _TILT_BYTES[self.tilt])
        except KeyError:
            raise ValueError(f"a direction is -1, 0 or 1, not {self.pan} and {self.tilt}") from None
        return bytes((0x81, 0x01, 0x06, 0x01, *steps, *directions, 0xFF))


_PAN_BYTES: dict[Direction, int] = {-1: 1, 1: 2, 0: 3}
_TILT_BYTES: dict[Direction, int] = {1: 1, -1: 2, 0: 3}
_PAN_OF: dict[int, Direction] = {byte: direction for direction, byte in _PAN_BYTES.items()}
_TILT_OF: dict[int, Direction] = {byte: direction for direction, byte in _TILT_BYTES.items()}


class PanTiltStop(_Fixed):
    """End turning. It is a drive nowhere; its steps, which mean nothing then, are 1, which every head has. [B, C]"""

    message = bytes.fromhex("81 01 06 01 01 01 03 03 FF")


@dataclass(frozen=True, slots=True)
class _ToPosition(Command):
    """One that turns to or by counts."""

    pan_counts: int
    tilt_counts: int
    pan_step: int
    tilt_step: int
    measured: ClassVar[int]  # from where: 2 or 3

    def encode(self, dialect: Dialect) -> bytes:
        steps = _steps(dialect, self.pan_step, self.tilt_step)
        if dialect.absolute == "shared-speed":
            steps = (max(steps), 0)
        position = _position(dialect, self.pan_counts, self.tilt_counts)
        return bytes((0x81, 0x01, 0x06, self.measured, *steps, *position, 0xFF))


class PanTiltAbsolute(_ToPosition):
    """Turn to a position. A head with one shared speed is told the greater of both steps. [B, C]"""

    measured = 0x02


class PanTiltRelative(_ToPosition):
    """Turn by so many counts. Performed twice, it turns twice as far. [B, C]"""

    measured = 0x03


class PanTiltHome(_Fixed):
    """Turn to the middle. [B, C]"""

    message = bytes.fromhex("81 01 06 04 FF")


class PanTiltReset(_Fixed):
    """Find the ends anew, by a sweep of the whole range. [B, C]"""

    message = bytes.fromhex("81 01 06 05 FF")


class Corner(IntEnum):
    """Which two ends a limit is for."""

    DOWN_LEFT = 0
    UP_RIGHT = 1


@dataclass(frozen=True, slots=True)
class PanTiltLimitSet(Command):
    """Let the head turn no further than here. [B]"""

    corner: Corner
    pan_counts: int
    tilt_counts: int

    def encode(self, dialect: Dialect) -> bytes:
        position = _position(dialect, self.pan_counts, self.tilt_counts)
        return bytes((0x81, 0x01, 0x06, 0x07, 0x00, self.corner, *position, 0xFF))


@dataclass(frozen=True, slots=True)
class PanTiltLimitClear(Command):
    """Take a limit away; the position in it is the greatest that the field holds. [B]"""

    corner: Corner

    def encode(self, dialect: Dialect) -> bytes:
        farthest = _position(dialect, (1 << 4 * dialect.pan_nibbles - 1) - 1, 0x7FFF)
        return bytes((0x81, 0x01, 0x06, 0x07, 0x01, self.corner, *farthest, 0xFF))


@dataclass(frozen=True, slots=True)
class RampCurve(Command):
    """Choose how sharply the head starts and stops: 1 is the sharpest; some heads only. [C]"""

    level: int

    def encode(self, dialect: Dialect) -> bytes:
        if dialect.ramp_curves == 0:
            raise ValueError(f"heads of the dialect {dialect.name} have no ramp curves to choose from")
        if not 1 <= self.level <= dialect.ramp_curves:
            raise ValueError(f"a ramp curve is 1 to {dialect.ramp_curves}, not {self.level}")
        return bytes((0x81, 0x01, 0x06, 0x31, self.level, 0xFF))


class _SlowMode(_Fixed):
    """One that only heads with a slow mode know."""

    def encode(self, dialect: Dialect) -> bytes:
        if not dialect.slow_mode:
            raise ValueError(f"heads of the dialect {dialect.name} have no slow mode")
        return self.message


class SlowModeOn(_SlowMode):
    """Turn at slower steps; some heads only. [C]"""

    message = bytes.fromhex("81 01 06 44 02 FF")


class SlowModeOff(_SlowMode):
    """Turn at the usual steps; some heads only. [C]"""

    message = bytes.fromhex("81 01 06 44 03 FF")


# The rest


class TallyLampOn(_Fixed):
    """Light the red lamp. From memory."""

    message = bytes.fromhex("81 01 7E 01 0A 00 02 FF")


class TallyLampOff(_Fixed):
    """Put the red lamp out. From memory."""

    message = bytes.fromhex("81 01 7E 01 0A 00 03 FF")


@dataclass(frozen=True, slots=True)
class Cancel(Command):
    """End the command in a socket, which is answered by "cancelled" and not by a completion. [A]

    Two sockets are documented; the field would hold fifteen, and a camera may name a third.
    """

    socket: int

    def encode(self, dialect: Dialect) -> bytes:
        if not 1 <= self.socket <= 15:
            raise ValueError(f"a socket is 1 to 15, not {self.socket}")
        return bytes((0x81, 0x20 | self.socket, 0xFF))


class Clear(_Fixed):
    """Empty both sockets; answered by a completion without an ACK. [A]"""

    message = bytes.fromhex("81 01 00 01 FF")


class AddressSet(_Fixed):
    """Have the cameras of a serial chain number themselves; never sent over IP. [A, F]"""

    message = bytes.fromhex("88 30 01 FF")


_FIXED: dict[bytes, Command] = {
    each.message: each() for each in (*_Fixed.__subclasses__(), *_SlowMode.__subclasses__()) if each is not _SlowMode
}
_LENS_DRIVES = {(each.lens, each.way): each for each in (ZoomTele, ZoomWide, FocusFar, FocusNear)}


def parse_command(message: bytes, dialect: Dialect) -> Command:
    """Read a message to a camera. Raises MessageError for one that is no command listed here, or is out of range."""
    if message.find(0xFF) != len(message) - 1:
        raise MessageError(f"{message.hex(' ')} is no command: it does not end with its first FF")
    command = _read(message, dialect)
    if isinstance(command, PanTiltStop):
        return command  # its steps may be anything
    try:
        exact = command.encode(dialect) == message
    except ValueError as error:
        raise MessageError(f"{message.hex(' ')}: {error}") from None
    if not exact:
        raise MessageError(f"{message.hex(' ')} is no command that this camera knows")
    return command


def _read(message: bytes, dialect: Dialect) -> Command:
    if (fixed := _FIXED.get(message)) is not None:
        return fixed
    width = dialect.pan_nibbles
    match list(message):
        case [0x81, 0x01, 0x04, lens, way, 0xFF] if (drive := _LENS_DRIVES.get((lens, way))) is not None:
            return drive()
        case [0x81, 0x01, 0x04, lens, way, 0xFF] if (drive := _LENS_DRIVES.get((lens, way >> 4))) is not None:
            return drive(way & 0xF)
        case [0x81, 0x01, 0x04, 0x47, *digits, 0xFF] if len(digits) == 4:
            return ZoomDirect(from_nibbles(digits))
        case [0x81, 0x01, 0x04, 0x47, *digits, 0xFF] if len(digits) == 8:
            return ZoomFocusDirect(from_nibbles(digits[:4]), from_nibbles(digits[4:]))
        case [0x81, 0x01, 0x04, 0x48, *digits, 0xFF] if len(digits) == 4:
            return FocusDirect(from_nibbles(digits))
        case [0x81, 0x01, 0x04, 0x3F, (0 | 1 | 2) as deed, number, 0xFF]:
            return (MemoryReset, MemorySet, MemoryRecall)[deed](number)
        case [0x81, 0x01, 0x7E, 0x01, 0x0B, number, step, 0xFF]:
            return MemoryRecallSpeed(number, step)
        case [0x81, 0x01, 0x06, 0x01, _, _, 0x03, 0x03, 0xFF]:
            return PanTiltStop()
        case [0x81, 0x01, 0x06, 0x01, pan_step, tilt_step, (1 | 2 | 3) as pan, (1 | 2 | 3) as tilt, 0xFF]:
            return PanTiltDrive(pan_step, tilt_step, _PAN_OF[pan], _TILT_OF[tilt])
        case [0x81, 0x01, 0x06, (0x02 | 0x03) as kind, pan_step, tilt_step, *digits, 0xFF] if len(digits) == width + 4:
            if dialect.absolute == "shared-speed" and tilt_step == 0:
                tilt_step = min(pan_step, dialect.tilt.fastest_step)
            pan_counts, tilt_counts = from_signed_nibbles(digits[:width]), from_signed_nibbles(digits[width:])
            turn = PanTiltAbsolute if kind == 0x02 else PanTiltRelative
            return turn(pan_counts, tilt_counts, pan_step, tilt_step)
        case [0x81, 0x01, 0x06, 0x07, 0x00, (0 | 1) as corner, *digits, 0xFF] if len(digits) == width + 4:
            return PanTiltLimitSet(
                Corner(corner), from_signed_nibbles(digits[:width]), from_signed_nibbles(digits[width:])
            )
        case [0x81, 0x01, 0x06, 0x07, 0x01, (0 | 1) as corner, *_, 0xFF]:
            return PanTiltLimitClear(Corner(corner))
        case [0x81, 0x01, 0x06, 0x31, level, 0xFF]:
            return RampCurve(level)
        case [0x81, socket, 0xFF] if socket >> 4 == 2:
            return Cancel(socket & 0xF)
        case _:
            raise MessageError(f"{message.hex(' ')} is no command that this camera knows")


def _memory(number: int) -> int:
    if not 0 <= number < MEMORIES:
        raise ValueError(f"a camera's own memory is 0 to {MEMORIES - 1}, not {number}")
    return number


def _step(axis: str, step: int, fastest: int) -> int:
    if not 1 <= step <= fastest:
        raise ValueError(f"a {axis} step is 1 to {fastest}, not {step}")
    return step


def _steps(dialect: Dialect, pan_step: int, tilt_step: int) -> tuple[int, int]:
    pan = _step("pan", pan_step, dialect.pan.fastest_step)
    return pan, _step("tilt", tilt_step, dialect.tilt.fastest_step)


def _position(dialect: Dialect, pan_counts: int, tilt_counts: int) -> bytes:
    return to_signed_nibbles(pan_counts, dialect.pan_nibbles) + to_signed_nibbles(tilt_counts, 4)
