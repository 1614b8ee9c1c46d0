"""What is said of an evening is so, and what is so is said: drawn evenings, and a watcher that knows the true heads."""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest
from drawn_evenings import FIRST_IN_CI, actor, as_text, play, told
from evening_watcher import Book, Counts, DrawnCue, DrawnMove, Watcher
from ptzevening.house import House, open_doors
from ptzsim import virtual_time

from ptzd.bus import Said
from ptzd.files import read_show_text
from ptzd.visca import PanTiltDrive, load_dialect

Last = dict[str, dict[str, Any]]  # what was said last on each topic
Scene = Callable[[House, Watcher, Last], Coroutine[Any, Any, None]]
DIALECT = load_dialect("nibble4-51")
PLACES = {"wide": Counts(1000, 200, 0x800, 0x4000, False), "solo": Counts(-900, 100, 0x1000, 0x5000, False)}
CUES = (
    DrawnCue(1, "left", (DrawnMove("left", "wide"),)),
    DrawnCue(2, None, (DrawnMove("left", "solo", on_air=True),)),
)


TOLD_WRONGLY_ONCE = (30040, 60097, 61063, 70118, 70154, 70160, 70342, 70451, 70559, 80242, 80356, 81142, 91539, 120071)


@pytest.mark.parametrize("seed", [*range(FIRST_IN_CI, FIRST_IN_CI + 100), *TOLD_WRONGLY_ONCE])
def test_nothing_is_said_that_is_not_so_and_nothing_withheld_that_is(seed: int) -> None:
    played = play(seed)
    assert not played.wrongs, told(played)


@pytest.mark.parametrize(
    ("topic", "lie", "kind"),
    [
        ("camera/left/state", {"position": "solo"}, "position said where it is not so"),
        ("camera/left/state", {"position": None}, "position withheld where it is so"),
        ("camera/left/state", {"locks": [{"by": "nobody"}]}, "locked said where it is not so"),
        ("camera/left/state", {"tally": "program"}, "tally said where it is not so"),
        ("camera/left/state", {"tally_source": "cues"}, "tally said where it is not so"),
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


@pytest.mark.parametrize(
    ("show", "tally", "lie"),
    [
        (False, ("unknown", None), {"tally": "off"}),
        (False, ("unknown", None), {"tally_source": "message"}),
        (True, ("program", "cues"), {"tally": "off"}),
        (True, ("program", "cues"), {"tally": "unknown"}),
        (True, ("program", "cues"), {"tally_source": None}),
    ],
)
def test_the_watcher_notices_a_tally_that_nobody_told_or_that_the_cues_did_not(
    tmp_path: Path, show: bool, tally: tuple[str, str | None], lie: dict[str, Any]
) -> None:
    async def scene(house: House, watcher: Watcher, last: Last) -> None:
        if show:
            watcher.when_ok("go", lambda outcome: watcher.book.went(0))
            house.say("cue/go", {"id": "go"})
        await asyncio.sleep(1.0)
        state = last["camera/left/state"]
        assert (state["tally"], state["tally_source"]) == tally
        forge(house, last, "camera/left/state", lie)
        await asyncio.sleep(0.3)

    assert watched(tmp_path, scene, show=show, off_air_untold=False) == {"tally said where it is not so"}


@pytest.mark.parametrize("show", [True, False], ids=["taken", "untold"])
def test_the_watcher_notices_a_move_that_is_seen_and_was_not_asked_for_as_that(tmp_path: Path, show: bool) -> None:
    async def scene(house: House, watcher: Watcher, last: Last) -> None:
        watcher.book.unasked |= {"1", "2"}
        if show:
            watcher.when_ok("go", lambda outcome: watcher.book.went(0))
            house.say("cue/go", {"id": "go"})
        house.say("camera/left/recall", {"position": "wide", "id": "1"})
        await asyncio.sleep(0.5)
        assert last["camera/left/move"]["phase"] == "refused"
        assert not watcher.wrongs
        forge(house, last, "camera/left/move", {"phase": "accepted", "id": "2"})
        await asyncio.sleep(0.1)

    assert "moved on program unasked" in watched(tmp_path, scene, show=show, off_air_untold=False)


async def locked_as_a_state_has_no_lock(house: House, watcher: Watcher, last: Last) -> None:
    await lock(house, watcher)
    await asyncio.sleep(1.0)  # then the daemon says nothing more of it
    forge(house, last, "camera/left/state", {"locks": []})
    await asyncio.sleep(4.0)


async def locked_as_a_move_sets_out(house: House, watcher: Watcher, last: Last) -> None:
    house.say("camera/left/recall", {"position": "wide", "id": "1"})
    await asyncio.sleep(5.0)
    await lock(house, watcher)
    forge(house, last, "camera/left/move", {"phase": "accepted", "id": "2"})
    await asyncio.sleep(0.1)


async def locked_as_it_moves_on(house: House, watcher: Watcher, last: Last) -> None:
    await lock(house, watcher)
    house.wires["left"].camera.moved_by_another(PanTiltDrive(3, 1, 1, 0), asyncio.get_running_loop().time())
    house.wires["left"].loses = lambda: True  # else the daemon would stop it
    for _ in range(16):
        forge(house, last, "camera/left/state", {"locks": [{"by": "the rigger"}], "activity": "at-rest"})
        await asyncio.sleep(0.1)


def a_go(number: int, **told: Any) -> dict[str, Any]:
    result = {"cue": {"number": str(number)}, "counted": True, "refused": [], "overtaken": [], "standing": []}
    return {"result": result | {"unready": []} | told}


async def a_go_that_moves_nobody(house: House, watcher: Watcher, last: Last) -> None:
    watcher.went(a_go(2))


async def a_go_that_takes_who_is_not_ready(house: House, watcher: Watcher, last: Last) -> None:
    watcher.went(a_go(1))


async def a_go_where_nobody_stands(house: House, watcher: Watcher, last: Last) -> None:
    standing = [{"camera": "left", "position": "solo"}]
    watcher.went(a_go(2, standing=standing))


async def places_where_nobody_stands(house: House, watcher: Watcher, last: Last) -> None:
    watcher.placed({"result": {"standing": [{"camera": "left", "position": "solo"}], "sent": []}})


async def places_that_send_nobody(house: House, watcher: Watcher, last: Last) -> None:
    watcher.placed({"result": {"standing": [], "sent": [{"camera": "left", "position": "solo"}]}})


async def a_second_daemon(house: House, watcher: Watcher, last: Last) -> None:
    watcher.second_daemon(refused=False)


async def online_as_no_daemon_serves(house: House, watcher: Watcher, last: Last) -> None:
    status = last["status"]
    await house.lives[-1].end()
    house.broker.publish("ptzd/status", json.dumps(status | {"state": "online"}).encode())
    await asyncio.sleep(0.2)


@pytest.mark.parametrize(
    ("scene", "kind"),
    [
        (locked_as_a_state_has_no_lock, "lock withheld where it is so"),
        (locked_as_a_move_sets_out, "moved though it is locked"),
        (locked_as_it_moves_on, "locked and still said where it is not so"),
        (a_go_that_moves_nobody, "a go said to be done that is not"),
        (a_go_that_takes_who_is_not_ready, "a go takes a camera that is not ready and says nothing"),
        (a_go_where_nobody_stands, "a go says that it stands where it does not"),
        (places_where_nobody_stands, "places says that it stands where it does not"),
        (places_that_send_nobody, "places says to have sent whom it has not"),
        (a_second_daemon, "a second daemon serves"),
        (online_as_no_daemon_serves, "online said where it is not so"),
    ],
)
def test_the_watcher_notices_what_is_said_of(tmp_path: Path, scene: Scene, kind: str) -> None:
    assert kind in watched(tmp_path, scene)


async def lock(house: House, watcher: Watcher) -> None:
    watcher.book.holders["left"] = {"the rigger"}
    house.say("camera/left/lock", {"by": "the rigger"})
    await asyncio.sleep(1.0)
    assert not watcher.wrongs


def forge(house: House, last: Last, topic: str, lie: dict[str, Any]) -> None:
    house.broker.publish(f"ptzd/{topic}", json.dumps(last[topic] | lie).encode())


def watched(folder: Path, scene: Scene, *, show: bool = True, off_air_untold: bool = True) -> set[str]:
    """What the watcher finds wrong in a scene, which is handed what was said last on each topic."""

    async def play() -> set[str]:
        doors = open_doors(
            {"left": actor("left", PLACES, DIALECT)},
            folder,
            seed=1,
            show=read_show_text(as_text(CUES, {})) if show else None,
            off_air_untold=off_air_untold,
        )
        async with doors as house:
            last = listen(house)
            book = Book(CUES, {}, {"left": dict(PLACES)}, frozenset({"left"}), off_air_untold=off_air_untold)
            book.shown = frozenset() if show else None
            watcher = Watcher(house, book, lambda line: None)
            watching = asyncio.ensure_future(watcher.watch())
            await house.start()
            await asyncio.sleep(3.0)
            await scene(house, watcher, last)
            watching.cancel()
            return {wrong.kind for wrong in watcher.wrongs}

    return virtual_time.run(play())


def kinds(folder: Path, stands_in: str | None, topic: str, lie: dict[str, Any]) -> set[str]:
    """What the watcher finds wrong when somebody else says something on a topic of the daemon's, in other words."""

    async def scene(house: House, watcher: Watcher, last: Last) -> None:
        house.say("camera/left/tally", {"tally": "off"})
        watcher.mixer_said("left", "off")
        house.say("camera/left/recall", {"position": stands_in or "wide", "id": "1"})
        await asyncio.sleep(5.0 if stands_in else 0.4)
        assert not watcher.wrongs
        for _ in range(8 if stands_in else 1):  # a daemon says its status again and again
            forge(house, last, topic, lie)
            await asyncio.sleep(0.5 if stands_in else 0.11)

    return watched(folder, scene)


def listen(house: House) -> Last:
    """Return what is said last on each topic, as it comes."""
    last: Last = {}

    def hear(said: Said) -> None:
        if said.payload:
            last[said.topic.removeprefix("ptzd/")] = json.loads(said.payload)

    house.broker.listen(hear)
    return last
