"""A stored position that makes no sense cannot be made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from ptzd.positions import StoredPosition, unfit_positions
from ptzd.visca import Dialect, ScalesError, load_dialect


@pytest.mark.parametrize(
    ("field", "value", "about"),
    [
        ("camera", "Gallery", "gallery"),
        ("name", "choir/wide", "choir-wide"),
        ("name", "", "not a valid name"),
        ("name", "a" * 33, "1 to 32"),
        ("speed", 0, "1 to 24"),
        ("speed", 25, "1 to 24"),
        ("seconds", 0.0, "more than 0"),
        ("seconds", float("nan"), "more than 0"),
        ("seconds", float("inf"), "at most 600"),
        ("note", "x" * 1001, "1000"),
        ("note", "half a character: \ud83c", "lone surrogate"),
        ("dialect", "", "dialect"),
        ("scales", "", "1 to 200"),
        ("scales", "x" * 201, "1 to 200"),
        ("stored_at", datetime(2031, 5, 24), "time zone"),  # noqa: DTZ001
        ("stored_at", datetime.min.replace(tzinfo=timezone(timedelta(hours=5))), "years"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(
    make: Callable[..., StoredPosition], field: str, value: object, about: str
) -> None:
    with pytest.raises(ValueError, match=about):
        make(**{field: value})


@pytest.mark.parametrize(
    "wrong",
    [
        {"pan_counts": 0x80000},
        {"tilt_counts": -0x80001},
        {"zoom_counts": -1},
        {"focus_counts": 0x10000},
        {"focus_mode": "x"},
    ],
)
def test_counts_that_no_message_could_carry_are_refused(
    make: Callable[..., StoredPosition], wrong: dict[str, Any]
) -> None:
    position = make()
    with pytest.raises(ValueError, match=next(iter(wrong))):
        replace(position, framing=replace(position.framing, **wrong))


def test_speed_and_seconds_exclude_each_other(make: Callable[..., StoredPosition]) -> None:
    with pytest.raises(ValueError, match="both"):
        make(speed=3, seconds=2.0)


def test_a_date_is_kept_in_utc(make: Callable[..., StoredPosition]) -> None:
    summer = timezone(timedelta(hours=2))
    position = make(stored_at=datetime(2031, 5, 24, 21, 30, tzinfo=summer))
    assert position.stored_at.isoformat() == "2031-05-24T19:30:00+00:00"
    assert position.stored_at.tzinfo is UTC


NIBBLE_51, NIBBLE_14 = load_dialect("nibble4-51"), load_dialect("nibble4-14")


def own_head(pan_counts_per_degree: float = 51.2) -> Dialect:
    figures = NIBBLE_51.model_dump()
    figures["pan"]["counts_per_degree"] = pan_counts_per_degree
    return Dialect.model_validate(figures | {"name": "own-head"})


def test_a_position_whose_dialect_is_as_it_was_is_recalled_as_it_was_stored(
    make: Callable[..., StoredPosition],
) -> None:
    position = make(dialect="own-head", scales=own_head().scales)
    assert position.framing_for(own_head()) == position.framing


def test_a_position_stored_in_other_figures_of_the_same_name_is_refused_with_both(
    make: Callable[..., StoredPosition],
) -> None:
    position = make(dialect="own-head", scales=own_head().scales)
    with pytest.raises(ScalesError) as refusal:
        position.framing_for(own_head(pan_counts_per_degree=50.0))
    assert "pan 51.2, tilt 51.2" in str(refusal.value)
    assert "now pan 50, tilt 51.2" in str(refusal.value)


def test_a_position_without_figures_is_trusted_by_the_name_of_its_dialect(make: Callable[..., StoredPosition]) -> None:
    position = make(dialect="own-head")
    assert position.framing_for(own_head(pan_counts_per_degree=50.0)) == position.framing


def test_a_position_of_a_swapped_head_is_carried_over_only_from_figures_that_are_as_they_were(
    make: Callable[..., StoredPosition],
) -> None:
    # 26 counts at 51.2 a degree are 0.508 degrees, 7.3 counts at 14.4.
    assert make(scales=NIBBLE_51.scales).framing_for(NIBBLE_14).pan_counts == 7
    with pytest.raises(ScalesError):
        make(scales=own_head(pan_counts_per_degree=50.0).scales).framing_for(NIBBLE_14)


def test_positions_that_a_camera_cannot_be_sent_to_are_told_together(make: Callable[..., StoredPosition]) -> None:
    stored = {
        "wide": make(name="wide", dialect="own-head", scales=own_head().scales),
        "solo": make(name="solo", dialect="own-head", scales=own_head().scales),
        "old": make(name="old", dialect="own-head"),
    }
    assert list(unfit_positions("left", stored, own_head())) == []
    (told,) = unfit_positions("left", stored, own_head(pan_counts_per_degree=50.0))
    assert told.startswith("camera left can't be sent to wide, solo: it was stored when the dialect own-head had")
