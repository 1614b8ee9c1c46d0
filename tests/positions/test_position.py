"""A stored position that makes no sense cannot be made."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import pytest

from ptzd.positions import StoredPosition


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
