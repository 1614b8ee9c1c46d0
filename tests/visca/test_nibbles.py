"""Numbers, one nibble a byte.

[A] SRG-300H technical manual; [B] the same, "Execution command list (4/4)"; [H] EVI-D80 technical manual.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.visca import MessageError
from ptzd.visca.nibbles import from_nibbles, from_signed_nibbles, to_nibbles, to_signed_nibbles


@pytest.mark.parametrize(
    ("number", "nibbles"),
    [
        (7707, "01 0E 01 0B"),  # 1E1B, +170 degrees [H]
        (-7707, "0E 01 0E 05"),  # E1E5, -170 degrees [H]
        (8704, "02 02 00 00"),  # 2200, +170 degrees [B]
        (-8704, "0D 0E 00 00"),  # DE00, -170 degrees [B]
        (-1024, "0F 0C 00 00"),  # FC00, -20 degrees [B]
        (0, "00 00 00 00"),
        (-1, "0F 0F 0F 0F"),
        (0x7FFF, "07 0F 0F 0F"),
        (-0x8000, "08 00 00 00"),
    ],
)
def test_pan_and_tilt_are_twos_complement_in_nibbles(number: int, nibbles: str) -> None:
    assert to_signed_nibbles(number, 4) == bytes.fromhex(nibbles)
    assert from_signed_nibbles(bytes.fromhex(nibbles)) == number


def test_zoom_and_focus_have_no_sign() -> None:
    assert to_nibbles(0xC000, 4) == bytes.fromhex("0C 00 00 00")
    assert from_nibbles(bytes.fromhex("0C 00 00 00")) == 0xC000


@pytest.mark.parametrize("number", [-1, 0x10000])
def test_a_number_without_sign_that_does_not_fit_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match="does not fit 4 nibbles"):
        to_nibbles(number, 4)


@pytest.mark.parametrize("number", [-0x8001, 0x8000])
def test_a_signed_number_that_does_not_fit_is_refused(number: int) -> None:
    with pytest.raises(ValueError, match="does not fit 4 signed nibbles"):
        to_signed_nibbles(number, 4)


def test_a_byte_above_0F_is_no_nibble() -> None:
    with pytest.raises(MessageError, match="10 is no nibble"):
        from_nibbles(bytes.fromhex("00 10 00 00"))


@given(st.integers(min_value=-(1 << 19), max_value=(1 << 19) - 1))
def test_five_nibbles_hold_a_wide_pan_field(number: int) -> None:
    nibbles = to_signed_nibbles(number, 5)
    assert len(nibbles) == 5
    assert max(nibbles) <= 0xF
    assert from_signed_nibbles(nibbles) == number
