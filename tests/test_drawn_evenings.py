"""What is said of an evening is so, and what is so is said: drawn evenings, and a watcher that knows the true heads."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from drawn_evenings import FIRST_IN_CI, actor, as_text, play, told
from evening_watcher import Book, Counts, DrawnCue, DrawnMove, Watcher
from ptzevening.house import House, open_house
from ptzsim import virtual_time

from ptzd.files import read_show_text
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
PLACES = {"wide": Counts(1000, 200, 0x800, 0x4000, False), "solo": Counts(-900, 100, 0x1000, 0x5000, False)}
CUES = (DrawnCue(1, "left", (DrawnMove("left", "wide"),)),)


@pytest.mark.parametrize("seed", range(FIRST_IN_CI, FIRST_IN_CI + 100))
def test_nothing_is_said_that_is_not_so_and_nothing_withheld_that_is(seed: int) -> None:
    played = play(seed)
    assert not played.wrongs, told(played)


@pytest.mark.parametrize(
    ("topic", "lie", "kind"),
    [
        ("camera/left/state", {"position": "solo"}, "position said where it is not so"),
        ("camera/left/state", {"position": None}, "position withheld where it is so"),
        ("camera/left/state", {"locks": [{"by": "nobody"}]}, "locked said where it is not so"),
        ("camera/left/state", {"activity": None}, "at rest withheld where it is so"),
        ("camera/left/state", {"link": "down"}, "heard withheld where it is so"),
        ("camera/left/state", {"power": "standby"}, "on withheld where it is so"),
        ("camera/left/state", {"faults": ["it is on fire"]}, "fault where there is none"),
        ("cue/state", {"ready": False}, "ready withheld where it is so"),
        ("cue/state", {"next": None}, "next cue said where it is not so"),
        ("status", {"state": "offline"}, "online withheld where it is so"),
    ],
)
def test_the_watcher_notices_what_is_said_of_a_camera_that_stands_where_it_should(
    tmp_path: Path, topic: str, lie: dict[str, Any], kind: str
) -> None:
    assert kind in kinds(tmp_path, "wide", topic, lie)


@pytest.mark.parametrize(
    ("topic", "lie", "kind"),
    [
        ("camera/left/state", {"activity": "at-rest"}, "at rest said where it is not so"),
        ("camera/left/move", {"phase": "settled"}, "settled where it is not"),
        ("camera/left/move", {"phase": "failed"}, "failed where nothing was wrong"),
        ("cue/state", {"ready": True}, "ready said where it is not so"),
    ],
)
def test_the_watcher_notices_what_is_said_of_a_camera_that_moves(
    tmp_path: Path, topic: str, lie: dict[str, Any], kind: str
) -> None:
    assert kind in kinds(tmp_path, None, topic, lie)


def kinds(folder: Path, stands_in: str | None, topic: str, lie: dict[str, Any]) -> set[str]:
    """What the watcher finds wrong when somebody else says something on a topic of the daemon's, in other words."""

    async def scene() -> set[str]:
        show = read_show_text(as_text(CUES, {}))
        async with open_house({"left": actor("left", PLACES, DIALECT)}, folder, seed=1, show=show) as house:
            watcher = Watcher(house, Book(CUES, {}, {"left": dict(PLACES)}), lambda line: None)
            last = listen(house)
            watching = asyncio.ensure_future(watcher.watch())
            house.say("camera/left/recall", {"position": stands_in or "wide", "id": "1"})
            await asyncio.sleep(5.0 if stands_in else 0.4)
            assert not watcher.wrongs
            house.broker.publish(f"ptzd/{topic}", json.dumps(last[topic] | lie).encode())
            await asyncio.sleep(4.0 if stands_in else 0.11)
            watching.cancel()
            return {wrong.kind for wrong in watcher.wrongs}

    return virtual_time.run(scene())


def listen(house: House) -> dict[str, dict[str, Any]]:
    """Return what is said last on each topic, as it comes."""
    last: dict[str, dict[str, Any]] = {}
    house.broker.listen(lambda said: last.update({said.topic.removeprefix("ptzd/"): json.loads(said.payload)}))
    return last
