"""What every inquiry looks like on the wire, and what its answer means.

[D] TLC-700-S user manual; [E] LUMiO 12x VISCA command list, UV950A user manual "VISCA protocol"; [F] FCB-EH4300 VISCA
reference; [H] EVI-D80 technical manual, "Pan/tilt status code list"; [I] Ceiling DocCam II technical manual.
"memory": no document was at hand.
"""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.visca import (
    INQUIRIES,
    Answer,
    DigitalZoomInquiry,
    FastestSpeeds,
    FastestSpeedsInquiry,
    FocusInquiry,
    FocusMode,
    FocusModeInquiry,
    Initialisation,
    Inquiry,
    MessageError,
    Movement,
    PanTiltPosition,
    PanTiltPositionInquiry,
    PanTiltStatus,
    PanTiltStatusInquiry,
    Power,
    PowerInquiry,
    SlowModeInquiry,
    Version,
    VersionInquiry,
    ZoomInquiry,
    load_dialect,
    parse_inquiry,
    parse_reply,
)

FOUR = "nibble4-51"
FIVE = "shared5-205"

WIRE: list[tuple[str, Inquiry[Any], str, str, Any, str]] = [
    # dialect, inquiry, asked, answered, value, source
    (FOUR, PowerInquiry(), "81 09 04 00 FF", "90 50 02 FF", Power.ON, "E"),
    (FOUR, PowerInquiry(), "81 09 04 00 FF", "90 50 03 FF", Power.STANDBY, "E"),
    (FOUR, ZoomInquiry(), "81 09 04 47 FF", "90 50 00 00 00 00 FF", 0, "E"),
    (FOUR, ZoomInquiry(), "81 09 04 47 FF", "90 50 02 01 03 0B FF", 0x213B, "E"),
    (FOUR, FocusModeInquiry(), "81 09 04 38 FF", "90 50 02 FF", FocusMode.AUTO, "E"),
    (FOUR, FocusModeInquiry(), "81 09 04 38 FF", "90 50 03 FF", FocusMode.MANUAL, "E"),
    (FOUR, FocusInquiry(), "81 09 04 48 FF", "90 50 0C 00 00 00 FF", 0xC000, "E"),
    (FOUR, DigitalZoomInquiry(), "81 09 04 06 FF", "90 50 02 FF", True, "memory"),
    (FOUR, DigitalZoomInquiry(), "81 09 04 06 FF", "90 50 03 FF", False, "memory"),
    (
        FOUR,
        PanTiltPositionInquiry(),
        "81 09 06 12 FF",
        "90 50 0D 0E 00 00 01 02 00 00 FF",
        PanTiltPosition(-8704, 4608),
        "D",
    ),
    (
        FIVE,
        PanTiltPositionInquiry(),
        "81 09 06 12 FF",
        "90 50 0F 07 08 00 00 0F 00 00 00 FF",
        PanTiltPosition(-34816, -4096),
        "memory",
    ),
    (FOUR, FastestSpeedsInquiry(), "81 09 06 11 FF", "90 50 18 12 FF", FastestSpeeds(24, 18), "D"),
    (
        FOUR,
        PanTiltStatusInquiry(),
        "81 09 06 10 FF",
        "90 50 24 01 FF",
        PanTiltStatus(Initialisation.DONE, Movement.UNDER_WAY, at_left_end=True),
        "H, packing from memory",
    ),
    (FIVE, SlowModeInquiry(), "81 09 06 44 FF", "90 50 03 FF", False, "memory"),
    (
        FOUR,
        VersionInquiry(),
        "81 09 00 02 FF",
        "90 50 00 01 05 11 01 02 02 FF",
        Version(vendor=0x0001, model=0x0511, rom=0x0102, sockets=2),
        "F",
    ),
]


@pytest.mark.parametrize(("name", "inquiry", "asked", "answered", "value", "source"), WIRE)
def test_an_inquiry_is_the_published_bytes_and_so_is_its_answer(
    name: str, inquiry: Inquiry[Any], asked: str, answered: str, value: Any, source: str
) -> None:
    dialect = load_dialect(name)
    assert inquiry.encode(dialect) == bytes.fromhex(asked)
    assert parse_inquiry(bytes.fromhex(asked)) == inquiry
    reply = parse_reply(bytes.fromhex(answered))
    assert isinstance(reply, Answer)
    assert inquiry.read(reply.data, dialect) == value
    assert Answer(inquiry.answer(value, dialect)).encode() == bytes.fromhex(answered)


def test_every_inquiry_there_is_has_its_bytes_checked_here() -> None:
    assert set(INQUIRIES) == {inquiry for _, inquiry, _, _, _, _ in WIRE}


@pytest.mark.parametrize(
    ("inquiry", "data"),
    [
        (PowerInquiry(), "01"),
        (PowerInquiry(), "04"),
        (PowerInquiry(), "02 02"),
        (PowerInquiry(), ""),
        (FocusModeInquiry(), "00"),
        (DigitalZoomInquiry(), "04"),
        (ZoomInquiry(), "01 02 03"),
        (ZoomInquiry(), "01 02 03 04 05"),
        (ZoomInquiry(), "01 02 03 14"),
        (FocusInquiry(), "FF FF FF FF"),
        (PanTiltPositionInquiry(), "00 00 00 00 00 00 00"),
        (PanTiltPositionInquiry(), "00 00 00 00 00 00 00 00 00"),  # that of a wide pan field
        (FastestSpeedsInquiry(), "18"),
        (PanTiltStatusInquiry(), "24"),
        (PanTiltStatusInquiry(), "24 01 00"),
        (VersionInquiry(), "00 01 05 11 01 02"),
    ],
)
def test_an_answer_of_another_form_is_not_read(inquiry: Inquiry[Any], data: str) -> None:
    with pytest.raises(MessageError):
        inquiry.read(bytes.fromhex(data), load_dialect(FOUR))


@given(st.sampled_from(INQUIRIES), st.binary(max_size=14), st.sampled_from([FOUR, FIVE]))
def test_any_data_is_an_answer_or_is_refused(inquiry: Inquiry[Any], data: bytes, name: str) -> None:
    dialect = load_dialect(name)
    try:
        value = inquiry.read(data, dialect)
    except MessageError:
        return
    if not isinstance(value, PanTiltStatus):  # whose bits are not all in use
        assert inquiry.answer(value, dialect) == data


@pytest.mark.parametrize("wire", ["", "81 09 FF", "81 09 04 47", "82 09 04 47 FF", "81 01 04 47 FF", "81 09 04 99 FF"])
def test_what_is_no_inquiry_is_not_read(wire: str) -> None:
    with pytest.raises(MessageError):
        parse_inquiry(bytes.fromhex(wire))


@pytest.mark.parametrize(
    ("word", "status"),
    [  # every published code [H]
        (0x0000, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED)),
        (0x1000, PanTiltStatus(Initialisation.IN_PROGRESS, Movement.NONE_ASKED)),
        (0x2000, PanTiltStatus(Initialisation.DONE, Movement.NONE_ASKED)),
        (0x3000, PanTiltStatus(Initialisation.FAILED, Movement.NONE_ASKED)),
        (0x0400, PanTiltStatus(Initialisation.NOT_DONE, Movement.UNDER_WAY)),
        (0x0800, PanTiltStatus(Initialisation.NOT_DONE, Movement.COMPLETED)),
        (0x0C00, PanTiltStatus(Initialisation.NOT_DONE, Movement.FAILED)),
        (0x0100, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED, tilt_fault=True)),
        (0x0010, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED, pan_fault=True)),
        (0x0008, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED, at_down_end=True)),
        (0x0004, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED, at_up_end=True)),
        (0x0002, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED, at_right_end=True)),
        (0x0001, PanTiltStatus(Initialisation.NOT_DONE, Movement.NONE_ASKED, at_left_end=True)),
        (
            0x2915,
            PanTiltStatus(
                Initialisation.DONE,
                Movement.COMPLETED,
                tilt_fault=True,
                pan_fault=True,
                at_up_end=True,
                at_left_end=True,
            ),
        ),
    ],
)
def test_the_status_word_bit_by_bit(word: int, status: PanTiltStatus) -> None:
    assert PanTiltStatus.from_word(word) == status
    assert status.word == word


@pytest.mark.parametrize("bit", [6, 7, 14, 15])
def test_bits_that_the_document_leaves_open_mean_nothing(bit: int) -> None:  # [H]
    assert PanTiltStatus.from_word(0x2000 | 1 << bit) == PanTiltStatus.from_word(0x2000)
