"""What tests of several rooms share."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from brokers import MosquittoBroker, running_mosquitto


@pytest.fixture
def mosquitto_broker(tmp_path: Path) -> Iterator[MosquittoBroker]:
    """A broker with `host`, `port`, `stop()` and `start()`."""
    with running_mosquitto(tmp_path) as broker:
        yield broker
