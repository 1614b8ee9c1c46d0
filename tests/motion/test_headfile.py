"""A learned head is kept in a file that people can read, comes back the same, and is refused where it is wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion import (
    ON_A_RAIL,
    HeadFileError,
    HeadModel,
    LearnedHead,
    Measured,
    Spread,
    read_head,
    write_head,
)


@pytest.fixture(scope="module")
def learned(head: HeadModel) -> LearnedHead:
    model = replace(
        head,
        origin="learned",
        spread=Spread(0.004, 0.02, 0.01, 0.2, 0.15),
        settle=replace(ON_A_RAIL, most_swing_deg=0.09, reading_seconds=0.11),
        focus_acceleration_counts_per_s2=225000.0,
        lens_delay_seconds=0.025,
    )
    measured = Measured(
        pan_steps=(0.003,) * 24,
        pan_acceleration=0.02,
        tilt_steps=(0.004,) * 18,
        tilt_acceleration=0.03,
        zoom_direct=0.002,
        zoom_drive=(0.01,) * 8,
        zoom_acceleration=0.1,
        focus=0.01,
        latency=0.2,
        settling=0.15,
        not_reached=("pan step 24",),
    )
    return LearnedHead(model, measured, "nibble4-14", datetime(2026, 6, 20, 17, 5, tzinfo=UTC))


def test_a_head_comes_back_as_it_was_written(learned: LearnedHead) -> None:
    assert read_head(write_head(learned)) == learned


@given(value=st.floats(1e-6, 1e6))
@settings(deadline=None)
def test_any_figure_comes_back_within_what_can_be_measured(learned: LearnedHead, value: float) -> None:
    written = replace(learned, model=replace(learned.model, focus_counts_per_s=value))
    assert read_head(write_head(written)).model.focus_counts_per_s == pytest.approx(value, rel=1e-4)


def test_people_find_the_date_the_origin_and_each_figure_with_its_spread(learned: LearnedHead) -> None:
    text = write_head(learned)
    assert "learned_at = 2026-06-20T17:05:00Z" in text
    assert 'origin = "learned"' in text
    assert "acceleration_deg_per_s2 = 120.0\nacceleration_spread = 0.02" in text
    assert "pan step 24" in text


@pytest.mark.parametrize(
    ("old", "new", "named"),
    [
        ("format = 1", "format = 2", "format"),
        ('origin = "learned"', 'origin = "guessed"', "origin"),
        ("learned_at = 2026-06-20T17:05:00Z", "learned_at = 2026-06-20T17:05:00", "learned_at"),
        ("acceleration_deg_per_s2 = 120.0", "acceleration_deg_per_s2 = 0.0", "acceleration_deg_per_s2"),
        ("acceleration_deg_per_s2 = 120.0", "acceleration_deg_per_s2 = inf", "acceleration_deg_per_s2"),
        ("acceleration_deg_per_s2 = 120.0", "", "acceleration_deg_per_s2"),
        ("damping_ratio = 0.06", "damping_ratio = 1.5", "damping_ratio"),
        ("damping_ratio = 0.06", "damping_ratio = 0.06\nwobble = 3", "wobble"),
        ("[1.0, 1.5, 2.2, 2.4,", "[1.5, 1.0, 2.2, 2.4,", "step 2"),
        ("steps_spread = [0.003, ", "steps_spread = [", "pan.steps_spread has 23"),
        ("[zoom]", "[zoom", "not TOML"),
    ],
)
def test_a_mistake_in_the_file_is_named(learned: LearnedHead, old: str, new: str, named: str) -> None:
    text = write_head(learned)
    assert old in text
    with pytest.raises(HeadFileError) as caught:
        read_head(text.replace(old, new, 1), "gallery.head.toml")
    sentence = str(caught.value)
    assert "gallery.head.toml" in sentence
    assert named in sentence
    assert "\n" not in sentence
