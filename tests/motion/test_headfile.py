"""A learned head is kept in a file that people can read, comes back the same, and is refused where it is wrong."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.motion import (
    ON_A_RAIL,
    HeadFileError,
    HeadModel,
    LearnedHead,
    Measured,
    Renewal,
    SlowMode,
    Spread,
    read_head,
    write_head,
)

RAIL = replace(ON_A_RAIL, most_swing_deg=0.09, reading_seconds=0.11, told_seconds=0.1)
NEWER = ("braking_deg_per_s2", "s_share", "lens_waits", "told_seconds")


@pytest.fixture(scope="module")
def learned(head: HeadModel) -> LearnedHead:
    model = replace(
        head,
        origin="learned",
        spread=Spread(0.004, 0.02, 0.01, 0.2, 0.15),
        pan=replace(head.pan, braking_deg_per_s2=80.0, s_share=0.6),
        settle=RAIL,
        tilt_settle=replace(RAIL, most_swing_deg=0.04, natural_rad_per_s=12.0),
        lens_waits=True,
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


def test_a_file_from_before_braking_was_learned_is_read_as_it_was_meant(learned: LearnedHead) -> None:
    text = write_head(learned).split("\n[settling.tilt]")
    rest = text[1].split("\n\n", 1)[1]
    text[0] = text[0].replace(
        "\nreading_seconds", "\nwhole_reading_seconds = 0.4\nreading_seconds"
    )  # not needed any more
    older = [line for line in text[0].splitlines() if line.split(" = ")[0] not in NEWER]
    model = read_head("\n".join([*older, rest])).model
    assert model.pan.deceleration_deg_per_s2 == model.pan.acceleration_deg_per_s2
    assert (model.pan.s_share, model.lens_waits, model.tilt_settle) == (0.0, False, None)
    assert model.settle_of_tilt == model.settle == replace(RAIL, told_seconds=0.0)


@pytest.mark.parametrize("renewal", get_args(Renewal))
def test_what_a_head_does_with_a_new_order_in_mid_move_is_kept(learned: LearnedHead, renewal: Renewal) -> None:
    written = replace(learned, model=replace(learned.model, renewal=renewal))
    assert read_head(write_head(written)) == written


def test_a_file_that_tells_nothing_of_new_orders_in_mid_move_leaves_that_unknown(learned: LearnedHead) -> None:
    text = write_head(replace(learned, model=replace(learned.model, renewal="smooth")))
    [line] = [line for line in text.splitlines() if line.startswith("renewal = ")]
    assert read_head(text.replace(f"{line}\n", "")).model.renewal == "unknown"
    with pytest.raises(HeadFileError, match="renewal"):
        read_head(text.replace(line, 'renewal = "perhaps"'))


@pytest.fixture(scope="module")
def learned_slow(learned: LearnedHead) -> LearnedHead:
    """The same with a slow mode, at three tenths of the speeds."""
    model = learned.model
    pan, tilt = (
        replace(axis, steps_deg_per_s=tuple(round(0.3 * speed, 4) for speed in axis.steps_deg_per_s))
        for axis in (model.pan, model.tilt)
    )
    measured = replace(learned.measured, slow_pan_steps=(0.002,) * 24, slow_tilt_steps=(0.001,) * 18)
    return replace(learned, model=replace(model, slow=SlowMode(pan, tilt, 0.005)), measured=measured)


def test_a_slow_mode_comes_back_and_a_file_without_one_tells_of_none(
    learned: LearnedHead, learned_slow: LearnedHead
) -> None:
    assert read_head(write_head(learned_slow)) == learned_slow
    assert read_head(write_head(learned)).model.slow is None


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("pan_steps_deg_per_s = [0.3, ", "pan_steps_deg_per_s = [", "slow_mode.pan_steps_spread"),
        ("pan_steps_deg_per_s = [0.3, ", "pan_steps_deg_per_s = [9.0, ", "must not be slower"),
        ("pan_steps_deg_per_s = [0.3, ", "pan_steps_deg_per_s = [-0.3, ", "slow_mode.pan_steps_deg_per_s"),
        ("tilt_steps_spread = [0.001, ", "tilt_steps_spread = [", "slow_mode.tilt_steps_spread"),
    ],
)
def test_a_slow_mode_that_can_not_be_is_refused(learned_slow: LearnedHead, old: str, new: str, says: str) -> None:
    text = write_head(learned_slow)
    assert text.count(old) == 1
    with pytest.raises(HeadFileError, match=says):
        read_head(text.replace(old, new))


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
