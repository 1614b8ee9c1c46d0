"""What every command looks like on the wire.

[A] SRG-300H technical manual, "VISCA over IP" and "Command list"
[B] the same manual, "Execution command list (4/4)"
[C] SRG-X400 command list, "Pan tilt"
[D] TLC-700-S user manual; [G] HC20X user manual, command list
[E] LUMiO 12x VISCA command list; UV950A user manual, "VISCA protocol"
[F] FCB-EH4300 VISCA reference
"memory": no document was at hand.
"""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd import visca
from ptzd.visca import (
    AddressSet,
    Cancel,
    Clear,
    Command,
    Corner,
    Dialect,
    DigitalZoomOff,
    DigitalZoomOn,
    FocusAuto,
    FocusDirect,
    FocusFar,
    FocusManual,
    FocusNear,
    FocusOnePush,
    FocusStop,
    MemoryRecall,
    MemoryRecallSpeed,
    MemoryReset,
    MemorySet,
    MessageError,
    PanTiltAbsolute,
    PanTiltDrive,
    PanTiltHome,
    PanTiltLimitClear,
    PanTiltLimitSet,
    PanTiltRelative,
    PanTiltReset,
    PanTiltStop,
    PowerOn,
    PowerStandby,
    RampCurve,
    SlowModeOff,
    SlowModeOn,
    TallyLampOff,
    TallyLampOn,
    ZoomDirect,
    ZoomFocusDirect,
    ZoomStop,
    ZoomTele,
    ZoomWide,
    load_dialect,
    parse_command,
)

TWO_SPEED = "nibble4-51"
SHARED = "shared4-51"
WIDE = "shared5-205"

WIRE: list[tuple[str, Command, str, str]] = [
    # dialect, command, bytes, source
    (TWO_SPEED, PowerOn(), "81 01 04 00 02 FF", "A"),
    (TWO_SPEED, PowerStandby(), "81 01 04 00 03 FF", "A"),
    (TWO_SPEED, ZoomStop(), "81 01 04 07 00 FF", "E"),
    (TWO_SPEED, ZoomTele(), "81 01 04 07 02 FF", "E"),
    (TWO_SPEED, ZoomWide(), "81 01 04 07 03 FF", "E"),
    (TWO_SPEED, ZoomTele(0), "81 01 04 07 20 FF", "E"),
    (TWO_SPEED, ZoomTele(7), "81 01 04 07 27 FF", "E"),
    (TWO_SPEED, ZoomWide(0), "81 01 04 07 30 FF", "E"),
    (TWO_SPEED, ZoomWide(7), "81 01 04 07 37 FF", "E"),
    (TWO_SPEED, ZoomDirect(0x0000), "81 01 04 47 00 00 00 00 FF", "E"),
    (TWO_SPEED, ZoomDirect(0x4000), "81 01 04 47 04 00 00 00 FF", "E"),
    (TWO_SPEED, ZoomDirect(0x362C), "81 01 04 47 03 06 02 0C FF", "E"),
    (TWO_SPEED, ZoomFocusDirect(0x1781, 0xA5F0), "81 01 04 47 01 07 08 01 0A 05 0F 00 FF", "E"),
    (TWO_SPEED, DigitalZoomOn(), "81 01 04 06 02 FF", "memory"),
    (TWO_SPEED, DigitalZoomOff(), "81 01 04 06 03 FF", "memory"),
    (TWO_SPEED, FocusStop(), "81 01 04 08 00 FF", "E"),
    (TWO_SPEED, FocusFar(), "81 01 04 08 02 FF", "E"),
    (TWO_SPEED, FocusNear(), "81 01 04 08 03 FF", "E"),
    (TWO_SPEED, FocusFar(5), "81 01 04 08 25 FF", "E"),
    (TWO_SPEED, FocusNear(6), "81 01 04 08 36 FF", "E"),
    (TWO_SPEED, FocusDirect(0x6789), "81 01 04 48 06 07 08 09 FF", "E"),
    (TWO_SPEED, FocusAuto(), "81 01 04 38 02 FF", "A"),
    (TWO_SPEED, FocusManual(), "81 01 04 38 03 FF", "A"),
    (TWO_SPEED, FocusOnePush(), "81 01 04 18 01 FF", "memory"),
    (TWO_SPEED, MemoryReset(0), "81 01 04 3F 00 00 FF", "memory"),
    (TWO_SPEED, MemorySet(5), "81 01 04 3F 01 05 FF", "memory"),
    (TWO_SPEED, MemoryRecall(127), "81 01 04 3F 02 7F FF", "memory"),
    (TWO_SPEED, MemoryRecallSpeed(3, 24), "81 01 7E 01 0B 03 18 FF", "memory"),
    (TWO_SPEED, PanTiltDrive(24, 23, -1, 1), "81 01 06 01 18 17 01 01 FF", "B, C"),
    (TWO_SPEED, PanTiltDrive(1, 2, 1, -1), "81 01 06 01 01 02 02 02 FF", "B, C"),
    (TWO_SPEED, PanTiltDrive(9, 1, 1, 0), "81 01 06 01 09 01 02 03 FF", "B, C"),
    (TWO_SPEED, PanTiltDrive(1, 9, 0, 1), "81 01 06 01 01 09 03 01 FF", "B, C"),
    (TWO_SPEED, PanTiltStop(), "81 01 06 01 01 01 03 03 FF", "B, C"),
    (TWO_SPEED, PanTiltAbsolute(8704, 4608, 24, 23), "81 01 06 02 18 17 02 02 00 00 01 02 00 00 FF", "B"),
    (TWO_SPEED, PanTiltAbsolute(-8704, -1024, 1, 1), "81 01 06 02 01 01 0D 0E 00 00 0F 0C 00 00 FF", "B"),
    ("nibble4-45", PanTiltAbsolute(7707, -907, 24, 20), "81 01 06 02 18 14 01 0E 01 0B 0F 0C 07 05 FF", "B, H"),
    ("nibble4-14", PanTiltAbsolute(-2448, 1296, 24, 18), "81 01 06 02 18 12 0F 06 07 00 00 05 01 00 FF", "D"),
    (SHARED, PanTiltAbsolute(8704, -1024, 18, 18), "81 01 06 02 12 00 02 02 00 00 0F 0C 00 00 FF", "C"),
    (WIDE, PanTiltAbsolute(34816, -4096, 18, 18), "81 01 06 02 12 00 00 08 08 00 00 0F 00 00 00 FF", "memory"),
    (WIDE, PanTiltAbsolute(-34816, 18432, 1, 1), "81 01 06 02 01 00 0F 07 08 00 00 04 08 00 00 FF", "memory"),
    (TWO_SPEED, PanTiltRelative(512, -51, 12, 11), "81 01 06 03 0C 0B 00 02 00 00 0F 0F 0C 0D FF", "B"),
    (SHARED, PanTiltRelative(-512, 51, 12, 12), "81 01 06 03 0C 00 0F 0E 00 00 00 00 03 03 FF", "C"),
    (TWO_SPEED, PanTiltHome(), "81 01 06 04 FF", "B, C"),
    (TWO_SPEED, PanTiltReset(), "81 01 06 05 FF", "B, C"),
    (TWO_SPEED, PanTiltLimitSet(Corner.UP_RIGHT, 8704, 4608), "81 01 06 07 00 01 02 02 00 00 01 02 00 00 FF", "B"),
    (TWO_SPEED, PanTiltLimitSet(Corner.DOWN_LEFT, -8704, -1024), "81 01 06 07 00 00 0D 0E 00 00 0F 0C 00 00 FF", "B"),
    (TWO_SPEED, PanTiltLimitClear(Corner.UP_RIGHT), "81 01 06 07 01 01 07 0F 0F 0F 07 0F 0F 0F FF", "B"),
    (TWO_SPEED, PanTiltLimitClear(Corner.DOWN_LEFT), "81 01 06 07 01 00 07 0F 0F 0F 07 0F 0F 0F FF", "B"),
    (SHARED, RampCurve(1), "81 01 06 31 01 FF", "C"),
    (SHARED, SlowModeOn(), "81 01 06 44 02 FF", "C"),
    (SHARED, SlowModeOff(), "81 01 06 44 03 FF", "C"),
    (TWO_SPEED, TallyLampOn(), "81 01 7E 01 0A 00 02 FF", "memory"),
    (TWO_SPEED, TallyLampOff(), "81 01 7E 01 0A 00 03 FF", "memory"),
    (TWO_SPEED, Cancel(1), "81 21 FF", "A"),
    (TWO_SPEED, Cancel(2), "81 22 FF", "A"),
    (TWO_SPEED, Clear(), "81 01 00 01 FF", "A"),
    (TWO_SPEED, AddressSet(), "88 30 01 FF", "A, F"),
]


@pytest.mark.parametrize(("name", "command", "wire", "source"), WIRE)
def test_a_command_is_the_published_bytes_and_is_read_from_them(
    name: str, command: Command, wire: str, source: str
) -> None:
    dialect = load_dialect(name)
    message = bytes.fromhex(wire)
    assert command.encode(dialect) == message
    assert parse_command(message, dialect) == command


def test_every_command_there_is_has_its_bytes_checked_here() -> None:
    public = {each for each in vars(visca).values() if isinstance(each, type) and issubclass(each, Command)}
    assert public - {Command} == {type(command) for _, command, _, _ in WIRE}


@pytest.mark.parametrize("steps", ["01 01", "18 17", "00 00", "05 7F"])
def test_a_drive_nowhere_stops_at_whatever_speed(steps: str) -> None:  # 03 03 stops [B, C]
    message = bytes.fromhex(f"81 01 06 01 {steps} 03 03 FF")
    assert parse_command(message, load_dialect(TWO_SPEED)) == PanTiltStop()


def test_one_shared_speed_is_the_greater_of_both_so_that_neither_axis_comes_late() -> None:  # one VV for both [C]
    shared = load_dialect(SHARED)
    assert PanTiltAbsolute(0, 4608, 1, 12).encode(shared)[4:6] == bytes((12, 0))
    assert PanTiltAbsolute(4608, 0, 20, 2).encode(shared)[4:6] == bytes((20, 0))


def test_a_shared_speed_beyond_the_tilt_steps_is_read_as_the_fastest_tilt_step() -> None:  # tilt 01..17 [C]
    shared = load_dialect(SHARED)
    message = bytes.fromhex("81 01 06 02 18 00 00 00 00 00 00 00 00 00 FF")
    assert parse_command(message, shared) == PanTiltAbsolute(0, 0, 24, 23)


@pytest.mark.parametrize(
    ("name", "command", "complaint"),
    [
        (TWO_SPEED, ZoomTele(8), "0 to 7"),  # p = 0..7 [E]
        (TWO_SPEED, FocusNear(-1), "0 to 7"),
        (TWO_SPEED, ZoomDirect(0x10000), "4 nibbles"),
        (TWO_SPEED, ZoomDirect(-1), "4 nibbles"),
        (TWO_SPEED, FocusDirect(0x10000), "4 nibbles"),
        (TWO_SPEED, ZoomFocusDirect(0, -1), "4 nibbles"),
        (TWO_SPEED, MemorySet(128), "0 to 127"),
        (TWO_SPEED, MemoryRecall(-1), "0 to 127"),
        (TWO_SPEED, MemoryRecallSpeed(1, 25), "1 to 24"),
        (TWO_SPEED, PanTiltDrive(25, 1, 1, 0), "pan step is 1 to 24, not 25"),  # VV 01..18 [B, C]
        (TWO_SPEED, PanTiltDrive(0, 1, 1, 0), "pan step is 1 to 24, not 0"),
        (TWO_SPEED, PanTiltDrive(1, 24, 1, 0), "tilt step is 1 to 23, not 24"),  # WW 01..17 [B, C]
        ("nibble4-45", PanTiltAbsolute(0, 0, 1, 21), "tilt step is 1 to 20, not 21"),  # WW 01..14 [G]
        ("nibble4-14", PanTiltAbsolute(0, 0, 1, 19), "tilt step is 1 to 18, not 19"),  # WW 01..12 [D]
        (TWO_SPEED, PanTiltDrive(1, 1, 2, 0), "direction"),  # type: ignore[arg-type]
        (TWO_SPEED, PanTiltAbsolute(0x8000, 0, 1, 1), "4 signed nibbles"),
        (TWO_SPEED, PanTiltAbsolute(0, -0x8001, 1, 1), "4 signed nibbles"),
        (WIDE, PanTiltAbsolute(0x80000, 0, 1, 1), "5 signed nibbles"),
        (TWO_SPEED, Cancel(16), "socket is 1 to 15"),
        (TWO_SPEED, Cancel(0), "socket is 1 to 15"),
        (TWO_SPEED, RampCurve(1), "no ramp curves"),
        (SHARED, RampCurve(0), "ramp curve is 1 to"),
        (SHARED, RampCurve(4), "ramp curve is 1 to"),
        (TWO_SPEED, SlowModeOn(), "no slow mode"),
    ],
)
def test_what_the_message_cannot_carry_is_refused_with_what_it_can(name: str, command: Command, complaint: str) -> None:
    with pytest.raises(ValueError, match=complaint):
        command.encode(load_dialect(name))


@pytest.mark.parametrize(
    "wire",
    [
        "",
        "FF",
        "81 FF",
        "81 01 04 00 02",  # never ends
        "82 01 04 00 02 FF",  # another camera's
        "81 01 04 00 04 FF",
        "81 01 04 07 28 FF",  # zoom speed 8
        "81 01 04 47 00 00 00 FF",  # too short
        "81 01 04 47 00 00 00 00 00 FF",  # too long
        "81 01 04 47 00 10 00 00 FF",  # no nibble
        "81 01 06 01 19 01 01 01 FF",  # pan step 25
        "81 01 06 01 00 01 01 01 FF",  # pan step 0
        "81 01 06 01 01 01 04 01 FF",
        "81 01 06 02 01 00 00 00 00 00 00 00 00 00 FF",  # shared speed to a head with two
        "81 01 06 02 01 01 00 00 00 00 00 00 00 00 00 FF",  # wide pan field to a head without
        "81 01 06 07 00 02 00 00 00 00 00 00 00 00 FF",
        "81 01 06 07 01 01 00 00 00 00 00 00 00 00 FF",
        "81 01 06 31 01 FF",  # no ramp curves in this dialect
        "81 01 06 01 01 FF 03 03 FF",  # the first FF ends a message
        "81 20 FF",
        "81 09 04 47 FF",  # an inquiry
    ],
)
def test_what_is_no_command_of_this_head_is_not_read(wire: str) -> None:
    with pytest.raises(MessageError):
        parse_command(bytes.fromhex(wire), load_dialect(TWO_SPEED))


def test_a_head_with_one_speed_takes_no_second() -> None:  # VV 00 [C]
    with pytest.raises(MessageError):
        parse_command(bytes.fromhex("81 01 06 02 05 04 00 00 00 00 00 00 00 00 FF"), load_dialect(SHARED))


@given(st.binary(max_size=18), st.sampled_from([TWO_SPEED, SHARED, WIDE]))
def test_any_bytes_are_a_command_or_are_refused(message: bytes, name: str) -> None:
    read_or_refused(message, load_dialect(name))


@given(st.sampled_from(WIRE), st.integers(min_value=0, max_value=15), st.integers(min_value=0, max_value=255))
def test_a_command_with_one_byte_changed_is_another_or_is_refused(
    entry: tuple[str, Command, str, str], at: int, byte: int
) -> None:
    name, _, wire, _ = entry
    message = bytearray.fromhex(wire)
    message[at % len(message)] = byte
    read_or_refused(bytes(message), load_dialect(name))


def read_or_refused(message: bytes, dialect: Dialect) -> None:
    try:
        command = parse_command(message, dialect)
    except MessageError:
        return
    if command != PanTiltStop():  # which is the same at any speed
        assert command.encode(dialect) == message


def test_commands_are_values() -> None:
    command = PanTiltAbsolute(1, 2, 3, 4)
    assert command == PanTiltAbsolute(1, 2, 3, 4)
    with pytest.raises(dataclasses.FrozenInstanceError):
        command.pan_counts = 5  # type: ignore[misc]
