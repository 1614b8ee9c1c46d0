"""What is asked on the page reaches the daemon while it is meant, no later; what the daemon says reaches the page."""

from __future__ import annotations

import json
from collections.abc import AsyncIterator
from typing import Any, cast

import pytest

from ptzd.bus import Bus, Incoming, Topics
from ptzd.daemon import Daemon
from ptzd.daemon.page import Overheard, asker
from ptzd.page import Guest, Hub

HEARD = Incoming("hall/cue/go", b"")
DESK, STAGE = Guest("desk", operates=True), Guest("stage", operates=False)


class Done:
    """A daemon that notes what it is to do."""

    def __init__(self, serving: bool) -> None:
        self.serving = serving
        self.asked: list[str] = []

    def handle(self, incoming: Incoming) -> None:
        self.asked.append(incoming.topic)

    def push_unheard(self, topic: str) -> None:
        self.unheard = topic


@pytest.mark.parametrize(
    ("guest", "topic", "age_seconds", "serving", "code"),
    [
        (DESK, "camera/left/recall", 0.1, True, None),
        (DESK, "camera/left/recall", 1.9, True, None),
        (DESK, "camera/left/recall", 2.1, True, "late"),
        (DESK, "camera/left/drive", 0.4, True, None),
        (DESK, "camera/left/drive", 0.6, True, "late"),  # as long as a drive lasts
        (DESK, "camera/left/nudge", 0.6, True, "late"),
        (DESK, "cue/go", float("inf"), True, "late"),
        (DESK, "camera/left/recall", 0.1, False, "ending"),
        (DESK, "nonsense", 0.1, True, None),  # what is none, the daemon tells
        (DESK, "all/stop", float("inf"), True, None),
        (DESK, "all/stop", float("inf"), False, None),
        (DESK, "camera/left/lock", float("inf"), False, None),
        (STAGE, "camera/left/recall", 0.1, True, "looks-only"),
        (STAGE, "camera/left/lock", 0.1, True, "looks-only"),
        (STAGE, "all/stop", 9.0, True, None),  # whoever sees danger is to end it
        (STAGE, "nonsense", 0.1, True, "looks-only"),
        (STAGE, "camera/left/foresee", 0.1, True, None),
        (STAGE, "cue/list", 0.1, True, None),
    ],
)
def test_it_is_done_while_it_is_meant_and_by_whom_it_may_be(
    guest: Guest, topic: str, age_seconds: float, serving: bool, code: str | None
) -> None:
    daemon = Done(serving)
    refusal = asker(cast(Daemon, daemon), Topics("hall"), 2.0)(guest, topic, b"{}", age_seconds)
    assert (None if refusal is None else refusal.code) == code
    assert daemon.asked == ([] if code else [f"hall/{topic}"])


@pytest.mark.parametrize(
    ("topic", "told"), [("camera/left/recall", True), ("camera/left/drive", False), ("cue/list", False)]
)
def test_the_log_says_who_asked_for_what(topic: str, told: bool, capsys: pytest.CaptureFixture[str]) -> None:
    asker(cast(Daemon, Done(serving=True)), Topics("hall"), 2.0)(DESK, topic, b"{}", 0.1)
    assert ("who=desk" in capsys.readouterr().out) == told


class Silent:
    """A bus that no broker is behind."""

    topics = Topics("hall")
    connected = False

    def __init__(self) -> None:
        self.said: list[tuple[str, bytes, bool]] = []

    async def hold(self) -> None: ...

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None) -> None:
        self.said.append((topic, payload, retain))

    async def __aiter__(self) -> AsyncIterator[Incoming]:
        yield HEARD


async def test_what_the_bus_hears_the_daemon_hears() -> None:
    assert [each async for each in Overheard(cast(Bus, Silent()), Hub())] == [HEARD]


def test_a_page_hears_what_the_bus_is_told_and_no_answer_that_goes_elsewhere() -> None:
    bus, hub = Silent(), Hub()
    overheard = Overheard(cast(Bus, bus), hub)
    said: list[tuple[str, dict[str, Any], bool]] = [
        ("hall/camera/left/state", {"link": "up"}, True),
        ("hall/outcome", {"ok": True}, False),
        ("answers/to/somebody", {"ok": True}, False),
    ]
    with hub.listening() as page:
        for topic, payload, retain in said:
            overheard.publish(topic, json.dumps(payload).encode(), retain=retain)
        heard = [json.loads(each) for each in page.take()]
    assert heard == [["camera/left/state", {"link": "up"}], ["outcome", {"ok": True}]]
    assert bus.said == [(topic, json.dumps(payload).encode(), retain) for topic, payload, retain in said]
    with hub.listening() as later:
        assert [json.loads(each) for each in later.take()] == [["camera/left/state", {"link": "up"}]]
