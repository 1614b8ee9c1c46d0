"""What the store's tests share: a calendar that goes on by a minute at each look, and a choir evening's positions."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Any

import pytest

from ptzd.line import Framing
from ptzd.positions import StoredPosition

EVENING = datetime(2031, 5, 24, 19, 30, tzinfo=UTC)


@pytest.fixture
def calendar() -> Callable[[], datetime]:
    minutes: Iterator[int] = count(1)
    return lambda: EVENING + timedelta(minutes=next(minutes))


@pytest.fixture
def make() -> Callable[..., StoredPosition]:
    def position(
        camera: str = "gallery", name: str = "choir-wide", pan_counts: int = 26, **other: Any
    ) -> StoredPosition:
        fields: dict[str, Any] = {
            "dialect": "nibble4-51",
            "speed": None,
            "seconds": None,
            "note": "",
            "stored_at": EVENING,
        } | other
        return StoredPosition(camera, name, Framing(pan_counts, -420, 0x1781, 0x2000, "manual"), **fields)

    return position
