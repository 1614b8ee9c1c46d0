"""The whole daemon on a virtual clock: messages in, packets to simulated cameras, messages out."""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import AsyncIterator, Callable, Coroutine
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from io import BytesIO
from math import acos, degrees, radians, tan
from pathlib import Path
from typing import Any

import drawn_knocks
import numpy as np
import pytest
from bus_document import promised, promised_of
from PIL import Image
from ptzsim import Knock, SimulatedCamera, serve_memory, virtual_time
from ptzsim.picture import Eye, place_of
from ptzsim.picture_server import look_at
from ptzsim.stage import Stage
from pydantic import Field
from rigs import simulated_camera

from ptzd.bus import (
    Asked,
    CommandTopic,
    HeldElsewhere,
    Holding,
    Incoming,
    Intake,
    ReportTopic,
    StatusMessage,
    Topics,
    asyncapi,
    tables,
)
from ptzd.bus.asyncapi import name_of
from ptzd.bus.commands import (
    COMMANDS,
    Bare,
    Command,
    ImportCommand,
    LoadCommand,
    MatchCommand,
    RemoveCommand,
    RestoreCommand,
    WriteCommand,
)
from ptzd.bus.memory import MemoryBroker, MemoryBus, Said
from ptzd.bus.messages import REPORTS, DriftMessage, LearnProgressMessage, Result
from ptzd.cameras import Camera, CameraSettings, Optics
from ptzd.daemon import Daemon
from ptzd.daemon.handling import handlers_of, handles
from ptzd.daemon.stall import Stall
from ptzd.files import ShowFile, read_show_text
from ptzd.guard import MemoryGuard, Watched
from ptzd.line import Framing, Tolerance
from ptzd.links import Link, memory_pair
from ptzd.motion import Sensor, lens_between, published_head
from ptzd.pictures import MemoryPictures, Pictures
from ptzd.positions import HeadFiles, PositionStore, StoredPosition, inline
from ptzd.refusal import Refusal
from ptzd.rehearsal import RehearsedCamera, rehearse
from ptzd.visca import DigitalZoomOn, PowerStandby, load_dialect

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")

CAMERAS = ("left", "right", "gallery")
EVENING = datetime(2026, 6, 20, 19, 30, tzinfo=UTC)


class House:
    """A daemon, its broker and its cameras."""

    def __init__(self, broker: MemoryBroker, simulated: dict[str, SimulatedCamera], daemon: Daemon) -> None:
        self.broker = broker
        self.simulated = simulated
        self.daemon = daemon
        self.heard: list[tuple[str, dict[str, Any]]] = []
        broker.listen(self._hear)

    def _hear(self, said: Said) -> None:
        if said.payload and said.topic.split("/")[-1] in ("outcome", "move", "state", "positions", "status", "drift"):
            self.heard.append((said.topic, json.loads(said.payload)))

    def say(self, topic: str, payload: Any = "", **how: Any) -> None:
        data = payload if isinstance(payload, bytes) else payload.encode() if isinstance(payload, str) else None
        self.broker.publish(f"ptzd/{topic}", json.dumps(payload).encode() if data is None else data, **how)

    async def until(self, found: Callable[[str, dict[str, Any]], bool], seconds: float = 60) -> dict[str, Any]:
        seen = 0
        async with asyncio.timeout(seconds):
            while True:
                for topic, message in self.heard[seen:]:
                    if found(topic, message):
                        return message
                seen = len(self.heard)
                await asyncio.sleep(0.02)

    async def hands_off(self) -> None:
        """Wait until a push is not taken for one that goes on since before the daemon lived."""
        await asyncio.sleep(1.6)

    async def outcome(self, id: str) -> dict[str, Any]:
        return await self.until(lambda topic, message: topic == "ptzd/outcome" and message["id"] == id)

    async def end(self, id: str) -> dict[str, Any]:
        ended = ("settled", "refused", "superseded", "stopped", "failed")
        return await self.until(
            lambda topic, message: topic.endswith("/move") and message["id"] == id and message["phase"] in ended
        )

    async def ready(self) -> None:
        for name in CAMERAS:
            await self.until(
                lambda topic, message, name=name: (  # type: ignore[misc]
                    topic == f"ptzd/camera/{name}/state"
                    and message["power"] == "on"
                    and message["activity"] == "at-rest"
                )
            )

    def speed(self) -> float:
        now = asyncio.get_running_loop().time()
        heads = [each.head for each in self.simulated.values()]
        return sum(abs(head.pan_deg_per_s(now)) + abs(head.tilt_deg_per_s(now)) for head in heads)


def positions_of(camera: str) -> list[StoredPosition]:
    return [
        StoredPosition(camera, name, Framing(pan, 100, 0x1000, 0x4000, "manual"), "nibble4-51", None, None, "", EVENING)
        for name, pan in (("choir-wide", 1500), ("soloist", -2500))
    ]


def already_open(link: Link) -> AbstractAsyncContextManager[Link]:
    return nullcontext(link)


@asynccontextmanager
async def open_house(
    folder: Path,
    broker: MemoryBroker | None = None,
    show: ShowFile | None = None,
    focus_by_itself: frozenset[str] = frozenset(),
    store_works: bool = True,
    topics: Topics = Topics("ptzd"),  # noqa: B008
    off_air_untold: bool = True,
    host: str = "granary",
    pictures: Pictures | None = None,
) -> AsyncIterator[House]:
    rng = random.Random(3)
    broker = broker or MemoryBroker()
    dialect = load_dialect("nibble4-51")
    loop = asyncio.get_running_loop()

    def calendar() -> datetime:
        return EVENING + timedelta(seconds=loop.time())

    async with (
        asyncio.TaskGroup() as group,
        PositionStore.open(folder / "show.db", calendar=calendar, run_disk=inline) as store,
    ):
        links, simulated, served, watched = {}, {}, [], []
        for name in CAMERAS:
            camera = simulated_camera(dialect, rng)
            ours, theirs = memory_pair(rng=rng)
            the_guards, at_the_camera = memory_pair(rng=rng)
            served.append(group.create_task(serve_memory(camera, theirs, at_the_camera)))
            watched.append(Watched(name, dialect, partial(already_open, the_guards)))
            simulated[name] = camera
            settings = CameraSettings(
                name,
                dialect,
                published_head(dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s),
                24,
                Tolerance(),
            )
            links[name] = (settings, ours)
            if store_works and store.position(name, "choir-wide") is None:
                for position in positions_of(name):
                    await store.store(position, replace=False)
        async with (
            MemoryGuard(watched) as guard,
            MemoryBus(
                broker,
                topics,
                offline=StatusMessage(state="offline").encode(),
                cameras=CAMERAS,
                holding=Holding(host=host, since=calendar(), token=host),
            ) as bus,
        ):
            await bus.hold()
            daemon = Daemon(
                links=links,
                focus_by_itself=focus_by_itself,
                store=store,
                bus=bus,
                intake=Intake(topics, calendar=calendar),
                calendar=calendar,
                heads=HeadFiles(folder, inline),
                rng=random.Random(4),
                guard=guard,
                show=show,
                pictures=pictures,
                off_air_untold=off_air_untold,
                stall=Stall(asyncio.get_running_loop().time),
            )
            running = group.create_task(daemon.run(lambda: None))
            house = House(broker, simulated, daemon)
            try:
                await house.ready()
                yield house
            finally:
                running.cancel()
                await asyncio.wait([running])
        for task in served:
            task.cancel()


def in_house(
    folder: Path,
    scene: Callable[[House], Coroutine[Any, Any, None]],
    show: ShowFile | None = None,
    store_works: bool = True,
    off_air_untold: bool = True,
    pictures: Callable[[], Pictures | None] = lambda: None,
) -> None:
    async def play() -> None:
        async with open_house(
            folder, show=show, store_works=store_works, off_air_untold=off_air_untold, pictures=pictures()
        ) as house:
            await scene(house)

    virtual_time.run(play())


def test_a_bare_name_on_the_broker_brings_the_framing_back(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/gallery/recall", "choir-wide")
        settled = await house.until(lambda topic, message: message.get("phase") == "settled" and "landing" in message)
        assert settled["camera"] == "gallery"
        assert abs(settled["landing"]["pan_counts"]) <= 1
        await house.until(
            lambda topic, message: topic.endswith("gallery/state") and message["position"] == "choir-wide"
        )

    in_house(tmp_path, scene)


@pytest.mark.parametrize(
    ("topic", "payload", "code", "words"),
    [
        ("camera/gallry/recall", {"position": "choir-wide"}, "unknown-camera", "gallery"),
        ("camera/gallery/recall", {"position": "choir-wise"}, "unknown-position", "choir-wide"),
        ("camera/gallery/recall", {"position": "choir-wide", "sped": 3}, "unknown-field", "speed"),
        ("camera/gallery/recall", {"position": "choir-wide", "speed": 0}, "bad-value", "1"),
        ("camera/gallery/recall", {"position": "choir-wide", "speed": 25}, "bad-value", "24"),
        ("camera/gallery/recall", {"position": "choir-wide", "seconds": -1}, "bad-value", "0"),
        ("camera/gallery/recall", {"position": "choir/wide"}, "bad-name", "lower-case"),
        ("camera/gallery/recall", {"position": "Choir-Wide"}, "bad-name", "lower-case"),
        ("camera/gallery/store", {"position": "choir-wide"}, "exists", "replace"),
        ("camera/gallery/rename", {"position": "nothing", "to": "else"}, "unknown", "choir-wide"),
        ("cue/go", {"number": 3}, "no-cues", "cue list"),
    ],
)
def test_what_cannot_be_done_gets_one_sentence_and_moves_nothing(
    tmp_path: Path, topic: str, payload: dict[str, Any], code: str, words: str
) -> None:
    async def scene(house: House) -> None:
        house.say(topic, payload | {"id": "x"})
        answer = await house.until(lambda _, message: message.get("id") == "x")
        assert answer["code"] == code, answer
        assert words in answer["sentence"], answer
        assert "\n" not in answer["sentence"]
        await asyncio.sleep(1)
        assert house.speed() == 0

    in_house(tmp_path, scene)


def test_an_import_tells_which_positions_no_camera_can_be_sent_to(tmp_path: Path) -> None:
    counts = 'pan_counts = 0\ntilt_counts = 0\nzoom_counts = 0\nfocus_counts = 8192\nfocus_mode = "manual"\n'
    dialects = {"organ": "nibble9-99", "pews": "nibble4-51"}
    show = "".join(f'[positions.left.{name}]\ndialect = "{dialect}"\n{counts}' for name, dialect in dialects.items())

    async def scene(house: House) -> None:
        house.say("show/import", {"show": show, "id": "import"})
        result = (await house.outcome("import"))["result"]
        assert result["added"] == 2
        [warning] = result["warnings"]
        assert warning.startswith("camera left can't be sent to organ: there is no dialect 'nibble9-99'")

    in_house(tmp_path, scene)


@pytest.mark.parametrize(
    ("field", "counts", "words"),
    [
        ("pan_counts", 16000, "pan 312.5° is out of this head's reach"),
        ("zoom_counts", 20000, "zoom 20000 is beyond what the lens alone does"),
    ],
)
def test_an_import_tells_which_positions_are_out_of_a_cameras_reach(
    tmp_path: Path, field: str, counts: int, words: str
) -> None:
    text = 'pan_counts = 0\ntilt_counts = 0\nzoom_counts = 0\nfocus_counts = 8192\nfocus_mode = "manual"\n'
    show = f'\ufeff[positions.left.far]\ndialect = "nibble4-51"\n{text.replace(f"{field} = 0", f"{field} = {counts}")}'

    async def scene(house: House) -> None:
        house.say("show/import", {"show": show, "id": "import"})
        [warning] = (await house.outcome("import"))["result"]["warnings"]
        assert warning.startswith(f"camera left can't be sent to far: {words}")

    in_house(tmp_path, scene)


def test_noise_on_every_topic_leaves_the_daemon_up_and_the_cameras_still(tmp_path: Path) -> None:
    noise = random.Random(11)

    async def scene(house: House) -> None:
        commands = ["recall", "store", "drive", "lock", "unlock", "tally", "rename", "delete", "revert", "history"]
        topics = [f"camera/gallery/{command}" for command in commands]
        topics += [
            "cue/go",
            "cue/standby",
            "cue/places",
            "show/export",
            "show/import",
            "nonsense",
            "camera",
            "camera/gallery/recall/x",
        ]
        for topic in topics:
            for payload in (noise.randbytes(200), b"\xff" * 10, b"{", b"[]", b"null", b"\x00", b"{}", b"1" * 1_000_000):
                house.say(topic, payload)
                await asyncio.sleep(0.01)
        await asyncio.sleep(1)
        assert house.speed() == 0
        assert lockers(house, "gallery") == ["somebody"], "in doubt it is locked"
        house.say("camera/gallery/unlock", {"by": "stage", "whose": "somebody"})
        await asyncio.sleep(0.1)
        house.say("camera/gallery/recall", {"position": "choir-wide", "id": "after"})
        assert (await house.end("after"))["phase"] == "settled"

    in_house(tmp_path, scene)


def test_a_recall_that_was_retained_is_told_of_and_not_done(tmp_path: Path) -> None:
    async def play() -> None:
        broker = MemoryBroker()
        broker.publish("ptzd/camera/gallery/recall", b"choir-wide", retain=True)
        async with open_house(tmp_path, broker) as house:
            refused = await house.until(lambda topic, message: message.get("code") == "retained")
            assert refused["topic"] == "ptzd/camera/gallery/recall"
            await asyncio.sleep(2)
            assert house.speed() == 0

    virtual_time.run(play())


def test_a_recall_that_comes_late_is_refused(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        await asyncio.sleep(10)
        house.say("camera/gallery/recall", {"position": "choir-wide", "sent_at": EVENING.isoformat(), "id": "late"})
        answer = await house.until(lambda _, message: message.get("id") == "late")
        assert answer["code"] == "late"
        assert house.speed() == 0

    in_house(tmp_path, scene)


def test_a_repeated_id_is_done_once_and_answered_twice(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        for _ in range(2):
            house.say("camera/gallery/recall", {"position": "choir-wide", "id": "twice"})
        await house.end("twice")
        house.say("camera/gallery/recall", {"position": "choir-wide", "id": "twice"})
        await asyncio.sleep(1)
        phases = [message["phase"] for topic, message in house.heard if topic.endswith("/move")]
        assert phases.count("settling") == 1
        assert phases.count("settled") == 2

    in_house(tmp_path, scene)


def test_a_store_keeps_what_the_camera_says_and_its_history_comes_back(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/recall", {"position": "soloist", "id": "1"})
        await house.end("1")
        await asyncio.sleep(1)
        house.say("camera/left/store", {"position": "choir-wide", "replace": True, "speed": 7, "id": "2"})
        assert (await house.outcome("2"))["ok"]
        stored = house.daemon._store.position("left", "choir-wide")
        assert stored is not None
        assert stored.framing.pan_counts == pytest.approx(-2500, abs=1)
        assert stored.speed == 7
        house.say("camera/left/revert", {"position": "choir-wide", "number": 1, "id": "3"})
        assert (await house.outcome("3"))["ok"]
        house.say("camera/left/history", {"position": "choir-wide", "id": "4"})
        entries = (await house.outcome("4"))["result"]["entries"]
        assert sorted(entry["position"]["pan_counts"] for entry in entries)[1:] == [1500, 1500]

    in_house(tmp_path, scene)


def test_a_framing_stored_anew_is_recalled_as_gently_as_the_old_one_unless_it_says_otherwise(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        async def recalled(ask: str) -> dict[str, Any]:
            house.say("camera/right/recall", {"position": "soloist", "id": f"{ask} away"})
            await house.end(f"{ask} away")
            house.say("camera/right/recall", {"position": "solo", "id": ask})
            return await house.end(ask)

        def note() -> str | None:
            return house.daemon._store.positions("right")["solo"].note

        house.say("camera/right/store", {"position": "solo", "seconds": 15.0, "note": "often on air", "id": "1"})
        assert (await house.outcome("1"))["ok"]
        house.say("camera/right/store", {"position": "solo", "replace": True, "id": "2"})
        assert (await house.outcome("2"))["ok"]
        assert (await recalled("gently"))["measured_seconds"] == pytest.approx(15.0, rel=0.2)
        assert note() == "often on air"
        again = {"position": "solo", "replace": True, "speed": 24, "note": "now close", "id": "3"}
        house.say("camera/right/store", again)
        assert (await house.outcome("3"))["ok"]
        assert (await recalled("fast"))["measured_seconds"] < 7.5
        assert note() == "now close"

    in_house(tmp_path, scene)


def test_an_unlock_that_was_held_up_takes_no_lock_off(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/lock", {"by": "rigger", "reason": "hands in the yoke", "id": "lock"})
        assert (await house.outcome("lock"))["ok"]
        stand_still(house.daemon, 8.0)
        house.say("camera/left/unlock", {"by": "rigger", "id": "waited"})
        assert (await house.outcome("waited"))["code"] == "stalled"
        await asyncio.sleep(3.0)
        house.say("camera/left/unlock", {"by": "rigger", "sent_at": EVENING.isoformat(), "id": "late"})
        assert (await house.outcome("late"))["code"] == "late"
        assert house.daemon.cameras["left"].locks
        now = (EVENING + timedelta(seconds=asyncio.get_running_loop().time())).isoformat()
        house.say("camera/left/unlock", {"by": "rigger", "sent_at": now, "id": "meant"})
        assert (await house.outcome("meant"))["ok"]
        assert not house.daemon.cameras["left"].locks

    in_house(tmp_path, scene)


def test_a_lock_survives_the_daemon(tmp_path: Path) -> None:
    async def lock(house: House) -> None:
        house.say("camera/right/lock", {"by": "the rigger", "reason": "hands at the head", "id": "1"})
        assert (await house.outcome("1"))["ok"]

    async def try_to_move(house: House) -> None:
        house.say("camera/right/recall", {"position": "soloist", "id": "2"})
        refused = await house.end("2")
        assert refused["code"] == "locked"
        assert "the rigger" in refused["sentence"]
        house.say("camera/right/unlock", {"by": "the rigger", "id": "3"})
        assert (await house.outcome("3"))["ok"]
        house.say("camera/right/recall", {"position": "soloist", "id": "4"})
        assert (await house.end("4"))["phase"] == "settled"

    in_house(tmp_path, lock)
    in_house(tmp_path, try_to_move)


def test_one_word_stops_all_cameras(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        for name in CAMERAS:
            house.say(f"camera/{name}/recall", {"position": "soloist", "id": name})
        await asyncio.sleep(0.4)
        assert house.speed() > 0
        house.say("all/stop", b"\xff\xfe")
        for name in CAMERAS:
            assert (await house.end(name))["phase"] == "stopped"
        await asyncio.sleep(1.2)
        assert house.speed() == 0

    in_house(tmp_path, scene)


def test_a_daemon_that_ends_leaves_every_camera_at_rest(tmp_path: Path) -> None:
    async def play() -> None:
        async with open_house(tmp_path) as house:
            for name in CAMERAS:
                house.say(f"camera/{name}/recall", {"position": "soloist"})
            await asyncio.sleep(0.4)
            assert house.speed() > 0
            began = asyncio.get_running_loop().time()
        assert asyncio.get_running_loop().time() - began < 5
        assert house.speed() == 0
        assert house.heard[-1][0] == "ptzd/status"
        assert house.heard[-1][1]["state"] == "offline"

    virtual_time.run(play())


@pytest.mark.parametrize("unheard", ["late", "nothing"])
def test_a_push_that_goes_on_unheard_after_a_stop_or_into_a_new_daemon_moves_nothing(
    tmp_path: Path, unheard: str
) -> None:
    async def scene(house: House) -> None:
        async def push(seconds: float, **more: str) -> None:
            for _ in range(round(seconds / 0.1)):
                house.say("camera/left/drive", {"pan": 1.0, **more})
                await asyncio.sleep(0.1)

        await push(2.5)
        assert house.speed() == 0.0, "it goes on since before this daemon lived"
        house.say("camera/left/drive", {})
        await asyncio.sleep(0.6)
        await push(0.5)
        assert house.speed() > 0.0
        house.say("all/stop")
        if unheard == "late":
            await push(2.5, sent_at=EVENING.isoformat())
        else:
            await asyncio.sleep(1.0)
        await push(1.5)
        assert house.speed() == 0.0
        house.say("camera/left/drive", {})
        await asyncio.sleep(0.6)
        for _ in range(10):  # what another hand says too late takes it out of nobody's who drives
            house.say("camera/left/drive", {"pan": -1.0, "sent_at": EVENING.isoformat()})
            await push(0.2)
            assert house.speed() > 0.0

    in_house(tmp_path, scene)


def test_a_daemon_says_again_and_again_that_it_is_there(tmp_path: Path) -> None:
    async def play() -> None:
        async with open_house(tmp_path) as house:
            await house.ready()
            house.heard.clear()
            await asyncio.sleep(21.0)
            said = [message["state"] for topic, message in house.heard if topic == "ptzd/status"]
        assert 10 <= len(said) <= 11 and set(said) == {"online"}

    virtual_time.run(play())


def test_a_second_daemon_is_refused_whatever_its_store_before_it_speaks_to_a_camera(tmp_path: Path) -> None:
    async def play() -> None:
        (tmp_path / "other").mkdir()
        async with open_house(tmp_path) as first:
            kept = dict(first.broker.retained)
            with pytest.raises(ExceptionGroup) as refused:
                async with open_house(tmp_path / "other", broker=first.broker, host="loft"):
                    pytest.fail("there are two")
            assert isinstance(refused.value.exceptions[0], HeldElsewhere)
            assert first.broker.retained == kept
            first.say("camera/left/recall", {"position": "choir-wide", "id": "still"})
            assert (await first.end("still"))["phase"] == "settled"

    virtual_time.run(play())


def test_a_daemon_whose_base_another_has_taken_ends_what_it_moves_and_leaves_all_else_to_the_other(
    tmp_path: Path,
) -> None:
    stop = bytes.fromhex("81 01 06 01 01 01 03 03 FF")  # SRG-300H, command list (4/4); speeds of 1
    stops: dict[str, int] = dict.fromkeys(CAMERAS, 0)
    house: House | None = None

    def listen_to(name: str, camera: SimulatedCamera) -> None:
        receive = camera.receive

        def heard(datagram: bytes, peer: Any, now: float, *, bare: bool = False) -> None:
            stops[name] += datagram[8:12] == stop[:4] and datagram[14:16] == stop[6:8]
            receive(datagram, peer, now, bare=bare)

        camera.receive = heard  # type: ignore[method-assign]

    async def play() -> None:
        nonlocal house
        with pytest.raises(ExceptionGroup) as ended:
            async with open_house(tmp_path) as house:
                house.say("camera/gallery/recall", "choir-wide")
                await asyncio.sleep(0.5)
                assert house.speed() > 1
                for name, camera in house.simulated.items():
                    listen_to(name, camera)
                other = Holding(host="loft", since=EVENING - timedelta(hours=1), token="loft")
                other.hold()
                house.broker.publish("ptzd/daemon", other.word())
                await asyncio.sleep(60)
        assert isinstance(ended.value.exceptions[0], HeldElsewhere)
        assert house is not None
        assert house.speed() == 0
        assert "offline" not in house.broker.retained["ptzd/status"].decode()

    virtual_time.run(play())
    assert stops["gallery"] >= 1
    assert (stops["left"], stops["right"]) == (0, 0)


def test_a_swapped_head_with_another_scale_goes_where_the_old_one_went(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        store = house.daemon._store
        framing = Framing(1440, -144, 0x1000, 0x4000, "manual")  # 100° and -10° at 14.4 counts a degree [D]
        await store.store(StoredPosition("left", "old", framing, "nibble4-14", None, None, "", EVENING))
        house.say("camera/left/recall", {"position": "old", "id": "1"})
        assert (await house.end("1"))["phase"] == "settled"
        now = asyncio.get_running_loop().time()
        assert house.simulated["left"].head.pan_deg(now) == pytest.approx(100, abs=1 / 51.2)
        assert house.simulated["left"].head.tilt_deg(now) == pytest.approx(-10, abs=1 / 51.2)

    in_house(tmp_path, scene)


def test_what_was_stored_in_other_figures_is_told_at_the_start_and_not_recalled(tmp_path: Path) -> None:
    async def store() -> None:
        async with PositionStore.open(tmp_path / "show.db", calendar=lambda: EVENING, run_disk=inline) as store:
            framing = Framing(1440, -144, 0x1000, 0x4000, "manual")
            of_before = load_dialect("nibble4-51").scales.replace("pan 51.2", "pan 45.3333")
            await store.store(StoredPosition("left", "old", framing, "nibble4-51", None, None, "", EVENING, of_before))

    async def scene(house: House) -> None:
        status = await house.until(lambda topic, message: topic == "ptzd/status" and message["state"] == "online")
        (trouble,) = status["troubles"]
        assert trouble.startswith("camera left can't be sent to old: ")
        assert "pan 45.3333" in trouble
        house.say("camera/left/recall", {"position": "old", "id": "1"})
        end = await house.end("1")
        assert (end["phase"], end["code"]) == ("refused", "other-scales")
        assert house.simulated["left"].head.pan_deg(asyncio.get_running_loop().time()) == 0.0
        house.say("camera/left/recall", {"position": "choir-wide", "id": "2"})
        assert (await house.end("2"))["phase"] == "settled"

    virtual_time.run(store())
    in_house(tmp_path, scene)


def test_an_mqtt_5_sender_gets_its_answer_where_it_wants_it(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        answers: list[Said] = []
        house.broker.listen(lambda said: answers.append(said) if said.topic == "desk/answers" else None)
        house.say("camera/left/recall", "choir-wide", response_topic="desk/answers", correlation=b"q7")
        await house.until(lambda _, message: message.get("phase") == "settled")
        await asyncio.sleep(0.1)
        assert [(json.loads(said.payload)["phase"], said.correlation) for said in answers] == [("settled", b"q7")]
        answers.clear()
        house.say("camera/left/lock", {"by": "stage"}, response_topic="desk/answers", correlation=b"q8")
        await asyncio.sleep(2.0)
        assert [(json.loads(said.payload)["ok"], said.correlation) for said in answers] == [(True, b"q8")]

    in_house(tmp_path, scene)


LEARN = {"pan_deg": [-40, 40], "tilt_deg": [-10, 25]}


def test_a_head_is_learned_on_command_kept_in_a_file_and_used_from_then_on(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        camera = house.daemon.cameras["left"]
        head = camera.settings.head
        assert head.origin == "published"
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        learned = await house.until(
            lambda topic, message: topic == "ptzd/outcome" and message["id"] == "learn", seconds=3600
        )
        assert learned["ok"], learned
        assert camera.settings.head.origin == "learned"
        assert Path(learned["result"]["path"]).read_text("utf-8") == learned["result"]["model"]
        house.say("camera/left/recall", {"position": "choir-wide", "id": "1"})
        assert (await house.end("1"))["phase"] == "settled"

    in_house(tmp_path, scene)


def test_how_long_a_learning_takes_is_told_about_beforehand_and_closely_after_a_first_look(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        now = asyncio.get_running_loop().time
        promised: list[float] = []

        def hear(said: Said) -> None:
            if said.topic.endswith("/learn-progress") and (seconds := json.loads(said.payload)["promised_seconds"]):
                promised.append(seconds)

        house.broker.listen(hear)
        house.say("camera/left/learn", LEARN | {"estimate": True, "id": "ask"})
        estimated = (await house.outcome("ask"))["result"]["seconds"]
        await asyncio.sleep(5)
        assert house.speed() == 0
        begun = now()
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        await house.until(lambda topic, message: topic == "ptzd/outcome" and message["id"] == "learn", seconds=3600)
        assert now() - begun == pytest.approx(estimated, rel=0.4)
        assert now() - begun == pytest.approx(promised[0], rel=0.15)

    in_house(tmp_path, scene)


@pytest.mark.parametrize("topic", ["camera/left/stop", "all/stop"])
def test_a_stop_that_was_carried_out_ahead_is_carried_out_in_its_turn_too(tmp_path: Path, topic: str) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/recall", {"position": "choir-wide", "id": "between"})
        await asyncio.sleep(0.3)
        assert house.speed() > 0.0
        house.daemon.handle(Incoming(f"ptzd/{topic}", b"", again=True))
        assert (await house.end("between"))["phase"] == "stopped"

    in_house(tmp_path, scene)


def test_a_head_is_not_learned_that_was_stopped_while_the_disk_was_asked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def slowly(heads: HeadFiles, camera: str) -> None:
        await asyncio.sleep(5.0)

    monkeypatch.setattr(HeadFiles, "require_readable", slowly)

    async def scene(house: House) -> None:
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        await asyncio.sleep(0.1)
        house.say("camera/left/stop")
        assert (await house.outcome("learn"))["code"] == "overtaken"
        assert not house.daemon.cameras["left"].moving

    in_house(tmp_path, scene)


def test_a_stop_ends_the_learning_of_a_head(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        await asyncio.sleep(5)
        house.say("camera/left/stop")
        ended = await house.outcome("learn")
        assert (ended["ok"], ended["code"]) == (False, "stopped")
        await asyncio.sleep(1.5)
        assert house.speed() == 0
        assert house.daemon.cameras["left"].settings.head.origin == "published"
        house.say("camera/left/recall", {"position": "choir-wide", "id": "1"})
        assert (await house.end("1"))["phase"] == "settled"

    in_house(tmp_path, scene)


def test_a_head_is_learned_no_further_once_the_broker_is_lost_over_which_it_could_be_stopped(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        await asyncio.sleep(20)
        house.broker.stop()
        await asyncio.sleep(1.5)
        for _ in range(100):
            assert house.speed() == 0
            await asyncio.sleep(0.1)
        house.broker.start()
        assert (await house.outcome("learn"))["code"] == "stopped"

    in_house(tmp_path, scene)


@pytest.mark.parametrize(
    ("before", "code"),
    [
        (("camera/left/lock", {"by": "the rigger"}), "locked"),
        (("camera/left/tally", "program"), "on-air"),
        (("camera/left/recall", "soloist"), "moving"),
    ],
)
def test_a_head_is_not_learned_while_it_must_not_move(tmp_path: Path, before: tuple[str, Any], code: str) -> None:
    async def scene(house: House) -> None:
        house.say(*before)
        await asyncio.sleep(0.3)
        house.say("camera/left/learn", LEARN | {"estimate": True, "id": "ask"})
        assert (await house.outcome("ask"))["code"] == code, "who asks beforehand how long it takes is told that, too"
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        assert (await house.outcome("learn"))["code"] == code

    in_house(tmp_path, scene)


CUES = """
[show]
name = "evening"

[[cue]]
number = 1
on_call = true
expected = 30.0
take = "gallery"

[[cue.move]]
camera = "left"
position = "soloist"

[[cue]]
number = 2
on_call = true
expected = 30.0
take = "left"

[[cue.move]]
camera = "gallery"
position = "choir-wide"
"""


def test_cues_send_cameras_off_air_step_on_and_survive_the_daemon(tmp_path: Path) -> None:
    show = read_show_text(CUES)

    async def first_half(house: House) -> None:
        house.say("cue/standby")
        await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["standby"] and message["ready"])
        now = asyncio.get_running_loop().time()
        assert house.simulated["left"].head.pan_counts(now) == pytest.approx(-2500, abs=1)
        house.say("cue/go", {"id": "go"})
        assert (await house.outcome("go"))["ok"]
        await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["standing"] is not None)

    async def second_half(house: House) -> None:
        state = await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["standing"] is not None)
        assert float(state["standing"]["number"]) == 1
        assert float(state["next"]["number"]) == 2
        await asyncio.sleep(3)
        assert not [topic for topic, _ in house.heard if topic.endswith("/move")], "it moves nothing by itself"

    in_house(tmp_path, first_half, show)
    in_house(tmp_path, second_half, show)


def test_a_daemon_without_a_show_takes_back_how_the_last_one_stood(tmp_path: Path) -> None:
    async def evening_and_after() -> None:
        broker = MemoryBroker()
        async with open_house(tmp_path, broker, read_show_text(CUES)):
            assert "ptzd/cue/state" in broker.retained
        async with open_house(tmp_path, broker):
            await asyncio.sleep(5)  # what is retained from before passes for its own until it has said anything
            assert "ptzd/cue/state" not in broker.retained

    virtual_time.run(evening_and_after())


def test_on_hold_no_cue_sends_a_camera_until_the_release(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("cue/hold", {"id": "hold"})
        assert (await house.outcome("hold"))["ok"]
        house.say("cue/standby", {"id": "held"})
        assert (await house.outcome("held"))["code"] == "held"
        await asyncio.sleep(1.0)
        assert house.speed() == 0
        house.say("cue/release", {"id": "release"})
        assert (await house.outcome("release"))["ok"]
        house.say("cue/standby", {"id": "standby"})
        assert (await house.outcome("standby"))["ok"]
        await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["standby"] and message["ready"])

    in_house(tmp_path, scene, read_show_text(CUES))


def test_a_show_without_a_vision_mixer_knows_by_its_cues_what_is_on_air(tmp_path: Path) -> None:
    """Also in the daemon's next life; and where a mixer does speak, its word counts."""

    def tally(house: House, camera: str) -> tuple[str, str | None]:
        state = camera_state(house, camera)
        return state["tally"], state["tally_source"]

    async def first_half(house: House) -> None:
        assert [tally(house, camera) for camera in CAMERAS] == [("off", "cues")] * 3, "no cue stands"
        house.say("cue/standby")
        assert (await house.end("cue 1"))["way"] == "direct"
        house.say("cue/go")
        await asyncio.sleep(0.1)
        assert (tally(house, "gallery"), tally(house, "left")) == (("program", "cues"), ("off", "cues"))
        house.say("camera/gallery/recall", {"position": "choir-wide", "id": "unasked"})
        assert (await house.end("unasked"))["code"] == "on-air"
        house.say("cue/standby")
        await asyncio.sleep(3)
        assert camera_state(house, "gallery")["position"] is None, "it is on air until cue 2"

    async def second_half(house: House) -> None:
        assert tally(house, "gallery") == ("program", "cues")
        house.say("cue/standby")
        await asyncio.sleep(0.1)
        house.say("cue/go")
        assert (await house.end("cue 2"))["way"] == "direct", "it leaves as soon as cue 2 takes left"
        assert (tally(house, "gallery"), tally(house, "left")) == (("off", "cues"), ("program", "cues"))
        house.say("camera/left/tally", "off", retain=True)
        house.say("cue/jump", "2")
        house.say("cue/go")
        await asyncio.sleep(0.1)
        assert tally(house, "left") == ("off", "message")

    in_house(tmp_path, first_half, read_show_text(CUES), off_air_untold=False)
    in_house(tmp_path, second_half, read_show_text(CUES), off_air_untold=False)


def test_what_a_broker_kept_of_another_evening_takes_no_camera_off_air_that_a_cue_takes(tmp_path: Path) -> None:
    async def play() -> None:
        broker = MemoryBroker()
        for camera in CAMERAS:
            broker.publish(f"ptzd/camera/{camera}/tally", b"off", retain=True)
        async with open_house(tmp_path, broker, show=read_show_text(CUES), off_air_untold=False) as house:

            def tally(camera: str) -> tuple[str, str]:
                state = camera_state(house, camera)
                return state["tally"], state["tally_source"]

            await house.ready()
            assert {tally(camera) for camera in CAMERAS} == {("off", "message")}
            house.say("cue/standby")
            assert (await house.end("cue 1"))["phase"] == "settled"
            house.say("cue/go")
            await asyncio.sleep(0.1)
            assert (tally("gallery"), tally("left")) == (("program", "cues"), ("off", "message"))
            house.say("camera/gallery/recall", {"position": "choir-wide", "id": "unasked"})
            assert (await house.end("unasked"))["code"] == "on-air"
            house.say("camera/gallery/tally", "off", retain=True)  # the mixer says so now
            await asyncio.sleep(0.1)
            assert tally("gallery") == ("off", "message")
            broker.stop()
            broker.retained |= {f"ptzd/camera/{camera}/tally": b"off" for camera in CAMERAS}
            broker.start()
            house.say("cue/jump", "2")
            house.say("cue/go")
            house.say("cue/jump", "1")
            house.say("cue/go")
            await asyncio.sleep(0.1)
            assert tally("gallery") == ("off", "message"), "a mixer was heard this evening"

    virtual_time.run(play())


@pytest.mark.parametrize(("passing_over", "number"), [("back", None), ("jump", 2)])
def test_who_may_be_seen_since_cues_were_passed_over_counts_as_on_air_in_the_next_life_too(
    passing_over: str, number: int | None, tmp_path: Path
) -> None:
    def on_air(house: House) -> set[str]:
        return {camera for camera in CAMERAS if camera_state(house, camera)["tally"] == "program"}

    async def before(house: House) -> None:
        house.say("cue/go", 1)  # takes gallery
        await asyncio.sleep(0.5)  # or the second would be the same press
        house.say("cue/go", 2)  # takes left
        house.say(f"cue/{passing_over}", {} if number is None else {"number": number})
        await asyncio.sleep(0.5)
        assert on_air(house) == {"gallery", "left"}

    async def after(house: House) -> None:
        assert on_air(house) == {"gallery", "left"}
        house.say("camera/left/recall", {"position": "soloist", "id": "unasked"})
        assert (await house.end("unasked"))["code"] == "on-air"

    in_house(tmp_path, before, read_show_text(CUES), off_air_untold=False)
    in_house(tmp_path, after, read_show_text(CUES), off_air_untold=False)


def test_where_nobody_tells_what_is_on_air_a_recall_asks_and_the_state_says_so(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        state = camera_state(house, "left")
        assert (state["tally"], state["tally_source"]) == ("unknown", None)
        house.say("camera/left/recall", {"position": "soloist", "id": "1"})
        refused = await house.end("1")
        assert refused["code"] == "tally-unknown" and refused["hint"] in refused["sentence"]
        house.say("camera/left/tally", "off", retain=True)
        house.say("camera/left/recall", {"position": "soloist", "id": "2"})
        assert ((await house.end("2"))["phase"], camera_state(house, "left")["tally_source"]) == ("settled", "message")

    in_house(tmp_path, scene, off_air_untold=False)


TIMED = CUES.replace('position = "choir-wide"', 'position = "choir-wide"\nseconds = 0.2').replace(
    'position = "soloist"', 'position = "soloist"\nseconds = 50'
)


def test_a_rehearsed_time_that_cannot_be_had_keeps_no_camera_from_its_place_and_whoever_asked_is_told(
    tmp_path: Path,
) -> None:
    async def scene(house: House) -> None:
        house.say("cue/standby", {"id": "standby"})
        [started] = (await house.outcome("standby"))["result"]["started"]
        assert (started["camera"], started["position"]) == ("left", "soloist")
        assert "can't take 50 s" in started["warning"] and "instead" in started["warning"]
        ended = await house.end("cue 1")
        assert (ended["phase"], ended["warning"]) == ("settled", started["warning"])
        assert started["least_seconds"] <= ended["measured_seconds"] <= started["most_seconds"]
        house.say("camera/left/recall", {"position": "choir-wide", "seconds": 400, "id": "now"})
        assert (await house.end("now"))["code"] == "too-long"
        house.say("camera/gallery/store", {"position": "here", "seconds": 400, "id": "store"})
        assert (await house.outcome("store"))["ok"]
        house.say("camera/gallery/recall", {"position": "soloist", "id": "away"})
        await house.end("away")
        house.say("camera/gallery/recall", {"position": "here", "id": "stored"})
        assert "instead" in (await house.end("stored"))["warning"]

    in_house(tmp_path, scene, read_show_text(TIMED))


def test_a_go_tells_whoever_asked_how_long_its_move_takes(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go", {"number": 1, "id": "go"})
        result = (await house.outcome("go"))["result"]
        [started] = result["started"]
        move = await house.until(lambda topic, message: topic.endswith("/move") and message["phase"] == "accepted")
        times = ("predicted_seconds", "least_seconds", "most_seconds", "head_measured")
        for field in ("camera", "position", *times, "warning"):
            assert started[field] == move[field]
        assert started["head_measured"] is False, "nobody has learned a head here"

    in_house(tmp_path, scene, read_show_text(CUES.replace('"soloist"', '"soloist"\non_air = true')))


def test_a_go_pressed_twice_counts_once(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go")
        await asyncio.sleep(0.1)
        house.say("cue/go", {"id": "again"})
        again = await house.outcome("again")
        assert again["ok"] and again["result"]["counted"] is False
        await asyncio.sleep(0.1)
        state = [message for topic, message in house.heard if topic == "ptzd/cue/state"][-1]
        assert float(state["standing"]["number"]) == 1

    in_house(tmp_path, scene, read_show_text(CUES))


def not_ready(house: House) -> dict[str, str]:
    """Who is not ready for the next cue by the latest that was said, and why."""
    state = [message for topic, message in house.heard if topic == "ptzd/cue/state"][-1]
    assert state["ready"] == (not state["not_ready"])
    return {one["camera"]: one["sentence"] for one in state["not_ready"]}


async def recalled(house: House, camera: str, position: str) -> None:
    house.say(f"camera/{camera}/recall", position)
    await house.until(lambda topic, message: topic == f"ptzd/camera/{camera}/state" and message["position"] == position)


@pytest.mark.parametrize("again", [False, True])
def test_a_camera_that_a_cue_takes_is_ready_only_where_the_cues_before_have_sent_it(
    tmp_path: Path, again: bool
) -> None:
    """Though it was recalled by hand, and in the next life of the daemon, too."""

    async def sent_elsewhere(house: House) -> None:
        house.say("cue/standby")
        house.say("cue/go")  # cue 1
        await recalled(house, "left", "choir-wide")
        if not again:
            await is_told(house)

    async def is_told(house: House) -> None:
        house.say("camera/gallery/tally", "off")
        house.say("cue/standby", {"id": "standby"})
        await house.until(
            lambda topic, message: topic == "ptzd/camera/gallery/state" and message["position"] == "choir-wide"
        )
        await asyncio.sleep(1)
        assert "; it should be in soloist, where cue 1 sends it" in not_ready(house)["left"]
        await recalled(house, "left", "soloist")
        await asyncio.sleep(0.1)
        assert not_ready(house) == {}

    in_house(tmp_path, sent_elsewhere, read_show_text(CUES))
    if again:
        in_house(tmp_path, is_told, read_show_text(CUES))


def test_places_brings_every_camera_off_air_to_where_the_show_has_it_and_tells_what_became_of_each(
    tmp_path: Path,
) -> None:
    """After a jump; heads are looked at, not what is said of them."""

    async def scene(house: House) -> None:
        heads = {name: camera.head for name, camera in house.simulated.items()}
        stood = heads["gallery"].pan_counts(asyncio.get_running_loop().time())
        house.say("camera/gallery/tally", "program")
        house.say("cue/jump", "3")
        await asyncio.sleep(0.1)
        assert not_ready(house).keys() == {"left", "right"}
        house.say("cue/places", {"id": "places"})
        placed = (await house.outcome("places"))["result"]
        assert placed["sent"] == [
            {"camera": "left", "position": "soloist"},
            {"camera": "right", "position": "choir-wide"},
        ]
        assert placed["standing"] == []
        assert [(one["camera"], one["position"], one["code"]) for one in placed["not_sent"]] == [
            ("gallery", "choir-wide", "on-air")
        ]
        await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["ready"])
        now = asyncio.get_running_loop().time()
        assert [heads[name].pan_counts(now) for name in ("left", "right")] == pytest.approx([-2500, 1500], abs=1)
        assert heads["gallery"].pan_counts(now) == stood
        house.say("cue/places", {"id": "again"})
        placed = (await house.outcome("again"))["result"]
        assert ([one["camera"] for one in placed["standing"]], placed["sent"]) == (["left", "right"], [])

    in_house(tmp_path, scene, read_show_text(PLACES))


def test_a_stop_ends_what_places_has_begun_and_nothing_goes_on_by_itself(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        for camera in CAMERAS:
            house.say(f"camera/{camera}/tally", "off")
        house.say("cue/jump", "3")
        house.say("cue/places", {"id": "places"})
        assert len((await house.outcome("places"))["result"]["sent"]) == 3
        await asyncio.sleep(0.4)
        assert house.speed() > 10
        house.say("all/stop")
        await asyncio.sleep(1.5)
        for _ in range(100):
            await asyncio.sleep(0.1)
            assert house.speed() == 0
        assert not_ready(house).keys() == {"left", "right"}

    in_house(tmp_path, scene, read_show_text(PLACES))


def test_a_camera_that_looks_for_its_focus_is_not_ready_until_it_has_found_it(tmp_path: Path) -> None:
    """The lens itself is looked at: it goes to and fro from when the head has arrived, and again later at rest."""

    async def play() -> None:
        async with open_house(tmp_path, show=read_show_text(CUES), focus_by_itself=frozenset({"left"})) as house:
            loop, lens = asyncio.get_running_loop(), house.simulated["left"].body.lens

            async def hunt(seconds: float) -> None:
                found, ends, way = lens.focus_counts(loop.time()), loop.time() + seconds, 1
                while loop.time() < ends:
                    lens.focus.go(loop.time(), found + way * 5000, 1500.0)  # it does not come to rest there
                    way = -way
                    await asyncio.sleep(0.9)
                lens.focus.go(loop.time(), found, 1500.0)
                await asyncio.sleep(lens.focus.ends_at - loop.time())

            house.say("cue/standby")
            await house.until(lambda topic, message: topic.endswith("left/move") and message["phase"] == "settling")
            hunting = asyncio.create_task(hunt(5.0))
            await house.until(lambda topic, message: topic.endswith("left/move") and message["phase"] == "settled")
            while not hunting.done():
                assert "left" in not_ready(house)
                await asyncio.sleep(0.05)
            await asyncio.sleep(1)
            assert not_ready(house) == {}
            hunting = asyncio.create_task(hunt(5.0))
            await asyncio.sleep(3)
            while not hunting.done():
                assert "focus still changes" in not_ready(house)["left"]
                await asyncio.sleep(0.05)
            await asyncio.sleep(1)
            assert not_ready(house) == {}

    virtual_time.run(play())


PLACES = """
[show]
name = "evening"
start = { right = "choir-wide" }

[[cue]]
number = 1
after = 30
take = "gallery"
move = [{ camera = "left", position = "choir-wide" }, { camera = "gallery", position = "choir-wide" }]

[[cue]]
number = 2
after = 30
move = [{ camera = "left", position = "soloist" }]

[[cue]]
number = 3
after = 30
take = "left"
move = [{ camera = "right", position = "soloist", on_air = true }]
"""


TAKES_LEFT = """
[show]
name = "evening"
start = { left = "choir-wide" }

[[cue]]
number = 1
after = 30
take = "left"
"""


@pytest.mark.parametrize(
    ("what", "why"),
    [
        ("power cut", "starting up"),
        ("standby", "in standby"),
        ("silence", "does not answer"),
        ("digital zoom", "digital zoom is on"),
        ("lock", "locked by the rigger"),
        ("learning", "is being learned"),
        ("hand", "it should be in choir-wide, where the show starts"),
        ("stored anew", "it should be in choir-wide, where the show starts"),
    ],
)
def test_a_camera_that_can_not_take_its_part_is_not_ready_and_the_reason_is_told(
    tmp_path: Path, what: str, why: str
) -> None:
    async def scene(house: House) -> None:
        camera, now = house.simulated["left"], asyncio.get_running_loop().time
        house.say("camera/left/tally", "off")
        await recalled(house, "left", "choir-wide")
        await asyncio.sleep(2)
        assert not_ready(house) == {}
        match what:
            case "power cut":
                camera.power_cut(now())
            case "standby":
                camera.moved_by_another(PowerStandby(), now())
            case "silence":
                camera.silent_until = float("inf")
            case "digital zoom":
                camera.moved_by_another(DigitalZoomOn(), now())
            case "lock":
                house.say("camera/left/lock", {"by": "the rigger"})
            case "learning":
                house.say("camera/left/learn", {"pan_deg": [-60, 60], "tilt_deg": [-10, 20]})
            case "hand":
                await recalled(house, "left", "soloist")
            case "stored anew":
                await recalled(house, "left", "soloist")
                house.say("camera/left/store", {"position": "choir-wide", "replace": True, "id": "store"})
                assert (await house.outcome("store"))["ok"]
                await asyncio.sleep(0.1)
                assert not_ready(house) == {}, "it stands in it, as it is now"
                house.say("camera/left/revert", {"position": "choir-wide", "number": 1, "id": "revert"})
                assert (await house.outcome("revert"))["ok"]
        await asyncio.sleep(6)
        assert why in not_ready(house)["left"]

    in_house(tmp_path, scene, read_show_text(TAKES_LEFT))


def test_a_cue_is_not_ready_while_its_move_on_air_would_be_refused(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        assert not_ready(house) == {}
        house.say("camera/left/delete", {"position": "soloist", "id": "delete"})
        assert (await house.outcome("delete"))["ok"]
        await asyncio.sleep(0.1)
        assert "could not move camera left on air" in not_ready(house)["left"]
        house.say("camera/left/store", {"position": "soloist", "id": "store"})
        assert (await house.outcome("store"))["ok"]
        await asyncio.sleep(0.1)
        assert not_ready(house) == {}

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR))


def camera_state(house: House, camera: str) -> dict[str, Any]:
    return [message for topic, message in house.heard if topic == f"ptzd/camera/{camera}/state"][-1]


def test_a_camera_that_was_locked_while_it_waited_to_be_off_air_stays_when_it_is_unlocked(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/tally", "program")
        house.say("cue/standby", {"id": "standby"})
        await house.outcome("standby")
        house.say("camera/left/lock", {"by": "the rigger", "reason": "hands at the head"})
        house.say("camera/left/tally", "off")
        await asyncio.sleep(1)
        house.say("camera/left/unlock", {"by": "the rigger", "id": "unlock"})
        assert (await house.outcome("unlock"))["ok"]
        for _ in range(100):
            await asyncio.sleep(0.05)
            assert house.speed() == 0, "hands may still be near it"

    in_house(tmp_path, scene, read_show_text(CUES))


LATER_ON_AIR = """
[show]
name = "evening"

[[cue]]
number = 1
on_call = true
expected = 30.0
take = "left"

[[cue.move]]
camera = "left"
position = "soloist"
on_air = true
earliest = 0.5
latest = 20.0
"""


def test_what_a_cue_moves_on_air_is_made_for_viewers_though_the_mixer_tells_of_them_only_after_the_go(
    tmp_path: Path,
) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/tally", "off")
        house.say("cue/go", {"id": "go"})
        assert (await house.outcome("go"))["ok"]
        await asyncio.sleep(0.2)
        house.say("camera/left/tally", "program")
        assert (await house.end("cue 1"))["way"] == "shaped"

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR.replace("earliest = 0.5\nlatest = 20.0\n", "")))


def test_a_move_that_a_cue_holds_back_is_called_off_by_a_lock(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go", {"id": "go"})
        assert (await house.outcome("go"))["ok"]
        house.say("camera/left/lock", {"by": "the rigger"})
        house.say("camera/left/unlock", {"by": "the rigger", "id": "unlock"})
        assert (await house.outcome("unlock"))["ok"]
        for _ in range(60):
            await asyncio.sleep(0.05)
            assert house.speed() == 0

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR))


def test_a_move_that_a_cue_holds_back_does_not_begin_while_another_daemon_may_have_the_cameras(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go", {"id": "go"})
        assert (await house.outcome("go"))["ok"]
        monkeypatch.setattr(MemoryBus, "asks_anew", True)  # as after a standstill
        assert (await house.end("cue 1"))["code"] == "stalled"
        assert house.speed() == 0

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR))


def test_a_move_that_a_cue_holds_back_does_not_begin_while_the_daemon_ends(tmp_path: Path) -> None:
    async def play() -> None:
        async with open_house(tmp_path, show=read_show_text(LATER_ON_AIR)) as house:
            house.say("camera/gallery/recall", "soloist")
            await asyncio.sleep(0.6)
            house.say("cue/go", {"id": "go"})
            assert (await house.outcome("go"))["ok"]
            assert house.speed() > 40, "it takes longer to come to rest than the cue holds its move back"
        assert house.speed() == 0
        assert house.simulated["left"].head.pan_counts(asyncio.get_running_loop().time()) == 0

    virtual_time.run(play())


EARLIEST = """
[show]
name = "evening"
on_air = "right"
start = { left = "choir-wide", gallery = "choir-wide" }

[[cue]]
number = 1
after = 10.0

[[cue]]
number = 2
after = 30.0
take = "gallery"

[[cue.move]]
camera = "left"
position = "soloist"
earliest = -12.0
"""


def left(house: House, phase: str) -> list[tuple[str, dict[str, Any]]]:
    return [one for one in house.heard if one[0] == "ptzd/camera/left/move" and one[1]["phase"] == phase]


def test_a_cue_sends_a_camera_when_the_rehearsal_does_and_tells_until_then_that_it_waits(tmp_path: Path) -> None:
    show = read_show_text(EARLIEST)

    async def scene(house: House) -> None:
        now = asyncio.get_running_loop().time
        company = {
            name: RehearsedCamera(camera.settings, {one.name: one for one in positions_of(name)})
            for name, camera in house.daemon.cameras.items()
        }
        [move] = rehearse(show, company).moves
        await recalled(house, "gallery", "choir-wide")  # where the show starts
        house.say("cue/go")  # cue 1, at 10 s into the show
        went = now()
        house.say("cue/standby")
        state = await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["standby"])
        assert [(one["camera"], one["code"]) for one in state["not_ready"]] == [("left", "waiting")]
        async with asyncio.timeout(60):
            while house.speed() == 0:
                await asyncio.sleep(0.01)
        assert now() - went == pytest.approx(move.start_seconds - 10.0, abs=0.3)
        await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["standby"] and message["ready"])

    in_house(tmp_path, scene, show)


def test_a_go_before_the_time_sends_the_camera_late_and_says_so(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go")
        await asyncio.sleep(1)
        house.say("cue/standby")
        await asyncio.sleep(1)
        house.say("cue/go", {"id": "early"})
        result = (await house.outcome("early"))["result"]
        [late] = result["overtaken"]
        assert (late["camera"], late["position"], late["code"]) == ("left", "soloist", "late")
        await asyncio.sleep(20)
        assert len(left(house, "settled")) == 1

    in_house(tmp_path, scene, read_show_text(EARLIEST))


def unready(house: House) -> dict[str, tuple[str, str]]:
    state = [message for topic, message in house.heard if topic == "ptzd/cue/state"][-1]
    return {one["camera"]: (one["code"], one["sentence"]) for one in state["not_ready"]}


async def waits(house: House) -> None:
    """Left leaves 18 s from here if nothing comes between."""
    house.say("cue/go")
    house.say("cue/standby", {"id": "standby"})
    assert (await house.outcome("standby"))["ok"]
    assert unready(house)["left"][0] == "waiting"


def test_a_drive_by_hand_calls_off_what_a_cue_holds_back_and_that_is_told(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        await waits(house)
        await house.hands_off()
        house.say("camera/left/drive", {"pan": 0.2, "id": "drive"})
        assert (await house.outcome("drive"))["ok"]
        assert unready(house)["left"][0] == "elsewhere"
        assert "standby again" in unready(house)["left"][1]
        await asyncio.sleep(1.5)
        for _ in range(600):
            await asyncio.sleep(0.05)
            assert house.speed() == 0
        house.say("cue/standby")
        assert await house.until(lambda topic, message: topic == "ptzd/cue/state" and message["ready"])

    in_house(tmp_path, scene, read_show_text(EARLIEST))


@pytest.mark.parametrize(("lens", "told"), [((100.0, 400.0), (6.8, None)), (None, (None, "sensor and focal_length"))])
def test_a_drive_with_a_grip_tells_how_fast_that_is_or_that_nobody_knows(
    tmp_path: Path, lens: tuple[float, float] | None, told: tuple[float | None, str | None]
) -> None:
    """At 100 mm 36 mm see 20.4 degrees, which the step of 3 degrees/s crosses in 6.8 s."""

    async def scene(house: House) -> None:
        camera = house.daemon.cameras["left"]
        if lens is not None:
            optics = Optics(Sensor(36.0, 20.25), lens_between(*lens, camera.settings.dialect.zoom.ratios), 25.0)
            camera.settings = replace(camera.settings, optics=optics)
        await house.hands_off()
        house.say("camera/left/drive", {"pan": 0.5, "grip": "fine", "id": "drive"})
        result = (await house.outcome("drive"))["result"]
        seconds, warning = told
        assert result["seconds_across"] == (None if seconds is None else pytest.approx(seconds, abs=0.01))
        assert (warning or "") in (result["warning"] or "")
        assert (result["warning"] is None) == (warning is None)

    in_house(tmp_path, scene)


def test_the_end_of_a_drive_and_a_drive_that_is_refused_call_nothing_off(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        camera = house.daemon.cameras["left"]
        house.say("camera/left/drive", {"pan": 0.01})
        await waits(house)
        house.say("camera/left/drive", {"pan": 0, "tilt": 0.0, "id": "let go"})
        assert (await house.outcome("let go"))["ok"]
        await asyncio.sleep(3)  # the drive's own stop came meanwhile
        camera.settings = replace(camera.settings, on_air_moves="refuse")
        house.say("camera/left/tally", "program")
        house.say("camera/left/drive", {"pan": 0.2, "id": "refused"})
        assert (await house.outcome("refused"))["code"] == "on-air"
        house.say("camera/left/tally", "off")
        assert unready(house)["left"][0] == "waiting"
        await asyncio.sleep(16)
        assert len(left(house, "accepted")) == 1

    in_house(tmp_path, scene, read_show_text(EARLIEST))


def test_the_learning_of_a_head_calls_off_what_a_cue_holds_back_and_that_is_told(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        await waits(house)
        house.say("camera/left/learn", LEARN | {"id": "learn"})
        await asyncio.sleep(0.05)
        assert camera_state(house, "left")["activity"] == "learning"
        assert unready(house)["left"][0] == "learning"
        await asyncio.sleep(30)
        house.say("camera/left/stop")
        ended = await house.outcome("learn")
        assert ended["sentence"] == "camera left was stopped; nothing was learned", "no cue has ended it"
        assert camera_state(house, "left")["activity"] == "halting"
        await asyncio.sleep(3)
        assert camera_state(house, "left")["activity"] == "at-rest"
        assert unready(house)["left"][0] == "elsewhere"
        assert left(house, "accepted") == []

    in_house(tmp_path, scene, read_show_text(EARLIEST))


def test_a_learning_that_cannot_begin_and_an_estimate_call_nothing_off(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        await waits(house)
        house.say("camera/left/learn", LEARN | {"estimate": True, "id": "ask"})
        assert (await house.outcome("ask"))["ok"]
        house.say("camera/left/learn", LEARN | {"pan_deg": [20, 60], "id": "learn"})
        assert (await house.outcome("learn"))["code"] == "out-of-range"
        await asyncio.sleep(19)
        assert len(left(house, "accepted")) == 1
        assert not any(message.get("activity") == "learning" for _, message in house.heard)

    in_house(tmp_path, scene, read_show_text(EARLIEST))


def test_what_waited_for_its_time_when_the_daemon_ended_does_not_leave_after_its_restart(tmp_path: Path) -> None:
    async def before(house: House) -> None:
        house.say("cue/go")
        house.say("cue/standby", {"id": "standby"})
        assert (await house.outcome("standby"))["ok"]

    async def after(house: House) -> None:
        await asyncio.sleep(60)
        assert left(house, "accepted") == []
        house.say("cue/standby", {"id": "again"})
        assert (await house.outcome("again"))["ok"]
        await asyncio.sleep(17)
        assert left(house, "accepted") == [], "18 s after the standby, for nobody knows when cue 1 was run"
        await asyncio.sleep(2)
        assert len(left(house, "accepted")) == 1

    in_house(tmp_path, before, read_show_text(EARLIEST))
    in_house(tmp_path, after, read_show_text(EARLIEST))


@pytest.mark.parametrize("second", ["the rigger", "the second rigger"])
@pytest.mark.parametrize("pause", [0.0, 0.001, 0.1])
def test_a_lock_that_comes_after_an_unlock_holds_even_if_the_disk_is_slow(
    pause: float, second: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House) -> None:
        clear = PositionStore.clear_lock

        async def slow_clear(self: PositionStore, camera: str, by: str) -> None:
            await asyncio.sleep(0.05)
            await clear(self, camera, by)

        monkeypatch.setattr(PositionStore, "clear_lock", slow_clear)
        house.say("camera/left/lock", {"by": "the rigger"})
        await asyncio.sleep(0.1)
        house.say("camera/left/unlock", {"by": "the rigger", "id": "unlock"})
        await asyncio.sleep(pause)
        house.say("camera/left/lock", {"by": second, "id": "lock"})
        assert (await house.outcome("lock"))["ok"]
        await house.outcome("unlock")
        await asyncio.sleep(0.2)
        assert [lock["by"] for lock in camera_state(house, "left")["locks"]] == [second]
        house.say("camera/left/recall", {"position": "soloist", "id": "recall"})
        assert (await house.end("recall"))["code"] == "locked"

    async def after_a_restart(house: House) -> None:
        assert lockers(house, "left") == [second]

    in_house(tmp_path, scene)
    monkeypatch.undo()
    in_house(tmp_path, after_a_restart)


def test_a_lock_counts_again_after_an_unlock_even_with_the_same_id(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/lock", {"by": "the rigger", "id": "1"})
        assert (await house.outcome("1"))["ok"]
        house.say("camera/left/unlock", {"by": "the rigger", "id": "2"})
        assert (await house.outcome("2"))["ok"]
        house.say("camera/left/lock", {"by": "the rigger", "id": "1"})
        await asyncio.sleep(0.1)
        assert house.daemon.cameras["left"].locks

    in_house(tmp_path, scene)


def lockers(house: House, camera: str) -> list[str]:
    return [lock["by"] for lock in camera_state(house, camera)["locks"]]


def test_a_camera_that_several_have_locked_is_free_when_the_last_has_let_go_also_across_a_restart(
    tmp_path: Path,
) -> None:
    async def before(house: House) -> None:
        for number, by in enumerate(("the rigger", "stage left", "the rigger")):
            house.say("camera/left/lock", {"by": by, "reason": "rope" if number == 0 else "", "id": str(number)})
            outcome = await house.outcome(str(number))
        assert {(lock["by"], lock["reason"]) for lock in outcome["result"]["locks"]} == {
            ("the rigger", "rope"),
            ("stage left", ""),
        }, "the same person twice is one, whose reason stays"

    async def after(house: House) -> None:
        assert sorted(lockers(house, "left")) == ["stage left", "the rigger"]
        house.say("camera/left/recall", {"position": "soloist", "id": "1"})
        refused = await house.end("1")
        assert refused["code"] == "locked"
        assert "the rigger (rope)" in refused["sentence"]
        assert "stage left" in refused["sentence"]
        house.say("camera/left/unlock", {"by": "the rigger", "id": "2"})
        assert [lock["by"] for lock in (await house.outcome("2"))["result"]["locks"]] == ["stage left"]
        house.say("camera/left/drive", {"pan": 1})
        await stays(house, 1)

    async def at_last(house: House) -> None:
        assert lockers(house, "left") == ["stage left"]
        house.say("camera/left/unlock", {"by": "stage left", "id": "3"})
        assert (await house.outcome("3"))["result"]["locks"] == []
        house.say("camera/left/recall", {"position": "soloist", "id": "4"})
        assert (await house.end("4"))["phase"] == "settled"

    for scene in (before, after, at_last):
        in_house(tmp_path, scene)


def test_a_lock_of_somebody_else_comes_off_only_where_it_is_named(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/lock", {"by": "the rigger", "reason": "rope"})
        house.say("camera/left/lock", {"by": "stage left"})
        for number, (payload, code) in enumerate(
            (
                ({"by": "the director"}, "not-theirs"),
                ({"by": "the director", "whose": "the riger"}, "not-theirs"),
                ({"by": "the director", "whose": ""}, "bad-value"),
                ({"whose": "the rigger"}, "missing-field"),
                ("", "empty"),
                (b"\xff", "not-utf-8"),
            )
        ):
            payload = payload | {"id": str(number)} if isinstance(payload, dict) else payload
            house.say("camera/left/unlock", payload)
            refused = await house.until(
                lambda topic, message, code=code: topic == "ptzd/outcome" and message["code"] == code  # type: ignore[misc]
            )
            if code == "not-theirs":
                assert "locked by the rigger (rope) and by stage left" in refused["sentence"]
                assert refused["hint"] in refused["sentence"]
                assert '"whose"' in refused["hint"]
            await asyncio.sleep(0.1)
            assert lockers(house, "left") == ["the rigger", "stage left"]
        house.say("camera/left/unlock", {"by": "the director", "whose": "the rigger", "id": "named"})
        assert (await house.outcome("named"))["ok"]
        assert lockers(house, "left") == ["stage left"]

    in_house(tmp_path, scene)


@pytest.mark.parametrize(
    ("payload", "code"),
    [
        ("", "empty"),
        ("hands at the head", "not-json"),
        ({"reason": "hands at the head"}, "missing-field"),
        ({"by": "", "id": "1"}, "bad-value"),
        ({"by": "the rigger", "until": "noon"}, "unknown-field"),
        (b"\xff\xfe", "not-utf-8"),
        (b"x" * 70_000, "too-large"),
    ],
)
def test_a_lock_that_does_not_say_who_locks_all_the_same_and_that_is_told(
    tmp_path: Path, payload: Any, code: str
) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/recall", {"position": "soloist", "id": "recall"})
        await asyncio.sleep(0.5)
        house.say("camera/left/lock", payload)
        outcome = await house.until(lambda topic, message: topic == "ptzd/outcome" and not message["ok"])
        assert outcome["code"] == code
        assert outcome["sentence"].endswith("; the camera is locked all the same, by somebody")
        assert (await house.end("recall"))["phase"] == "stopped"
        house.say("camera/left/drive", {"pan": 1})
        await asyncio.sleep(1)
        await stays(house, 1)
        house.say("camera/left/unlock", {"by": "stage", "whose": "somebody", "id": "unlock"})
        assert (await house.outcome("unlock"))["ok"]
        assert not lockers(house, "left")

    async def after_a_restart(house: House) -> None:
        house.say("camera/left/lock", payload)
        await house.until(lambda topic, message: topic == "ptzd/outcome")

    async def still(house: House) -> None:
        assert lockers(house, "left") == ["somebody"]

    for each in (scene, after_a_restart, still):
        in_house(tmp_path, each)


def test_of_a_locked_camera_that_does_not_answer_it_is_told_that_nobody_knows_whether_it_stands(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/lock", {"by": "the rigger", "id": "while it answers"})
        assert (await house.outcome("while it answers"))["result"]["warning"] is None
        assert camera_state(house, "left")["faults"] == []
        house.simulated["left"].silent_until = float("inf")
        for known in ("not known yet", "known"):
            assert (camera_state(house, "left")["link"] == "down") is (known == "known")
            house.say("camera/left/lock", {"by": "stage left", "id": known})
            warning = (await house.outcome(known))["result"]["warning"]
            assert "nobody knows whether it stands still" in warning
        assert warning in camera_state(house, "left")["faults"]
        house.simulated["left"].silent_until = 0.0
        while camera_state(house, "left")["link"] == "down":
            await asyncio.sleep(0.1)
        await asyncio.sleep(1)
        assert camera_state(house, "left")["faults"] == []
        assert lockers(house, "left") == ["the rigger", "stage left"]

    in_house(tmp_path, scene)


# What waits for its moment does not begin after a stop


async def stays(house: House, seconds: float) -> None:
    for _ in range(round(seconds / 0.1)):
        await asyncio.sleep(0.1)
        assert house.speed() == 0


@pytest.mark.parametrize("stop", ["camera/left/stop", "all/stop"])
def test_a_stop_calls_off_a_move_on_air_that_a_cue_holds_back(tmp_path: Path, stop: str) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go", {"id": "go"})
        assert (await house.outcome("go"))["ok"]
        house.say(stop)
        await stays(house, 3)

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR))


@pytest.mark.parametrize("stop", ["camera/left/stop", "all/stop"])
def test_a_stop_calls_off_what_waits_for_its_time_and_that_is_told(tmp_path: Path, stop: str) -> None:
    async def scene(house: House) -> None:
        await waits(house)
        house.say(stop, {"id": "stop"})
        assert (await house.outcome("stop"))["ok"]
        assert unready(house)["left"][0] == "elsewhere"
        await stays(house, 20)

    in_house(tmp_path, scene, read_show_text(EARLIEST))


@pytest.mark.parametrize("stop", ["camera/left/stop", "all/stop"])
def test_a_camera_that_was_stopped_while_it_waited_to_be_off_air_stays_when_it_is_off(
    tmp_path: Path, stop: str
) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/tally", "program")
        house.say("cue/standby", {"id": "standby"})
        await house.outcome("standby")
        house.say(stop)
        house.say("camera/left/tally", "off")
        await stays(house, 3)

    in_house(tmp_path, scene, read_show_text(CUES))


def unsayable(topic: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on what is said on a topic fails."""
    publish = MemoryBus.publish

    def broken(self: MemoryBus, to: str, payload: bytes, **how: Any) -> None:
        if to == topic:
            raise ValueError(topic)
        publish(self, to, payload, **how)

    monkeypatch.setattr(MemoryBus, "publish", broken)


def test_a_lock_calls_off_what_a_cue_holds_back_even_if_the_lock_can_not_be_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House) -> None:
        house.say("cue/go", {"id": "go"})
        assert (await house.outcome("go"))["ok"]
        unsayable("ptzd/camera/left/state", monkeypatch)
        house.say("camera/left/lock", {"by": "the rigger"})
        house.say("camera/left/unlock", {"by": "the rigger", "id": "unlock"})
        assert (await house.outcome("unlock"))["ok"]
        monkeypatch.undo()
        await stays(house, 3)

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR))


def test_a_cue_moves_no_camera_on_air_that_it_takes_to_be_off(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    async def scene(house: House) -> None:
        unsayable("ptzd/camera/left/state", monkeypatch)
        house.say("camera/left/tally", "program")
        house.say("cue/standby", {"id": "standby"})
        assert (await house.outcome("standby"))["ok"]
        monkeypatch.undo()
        await stays(house, 2)
        assert left(house, "refused")[0][1]["code"] == "on-air"

    in_house(tmp_path, scene, read_show_text(CUES))


# Stops, locks and what is on air, by messages


def test_a_stop_counts_again_even_with_the_same_id(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        for topic in ("camera/left/stop", "all/stop"):
            house.say(topic, {"id": topic})
            house.say("camera/left/recall", {"position": "soloist", "id": f"before {topic}"})
            await asyncio.sleep(0.4)
            assert house.speed() > 0
            house.say(topic, {"id": topic})
            assert (await house.end(f"before {topic}"))["phase"] == "stopped"
            await asyncio.sleep(2)
            assert house.speed() == 0


def test_what_a_stop_has_overtaken_is_refused_and_its_copy_is_not_answered_twice(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        def come(topic: str, payload: Any, **how: Any) -> None:
            house.daemon.handle(Incoming(f"ptzd/{topic}", json.dumps(payload).encode(), **how))

        over = {"overtaken": frozenset({"gallery"})}
        come("camera/gallery/stop", {"id": "stop"})
        come("camera/gallery/recall", {"position": "choir-wide", "id": "old"}, **over)
        come("camera/gallery/drive", {"pan": 1, "id": "drive"}, **over)
        come("camera/left/recall", {"position": "choir-wide", "id": "other"}, **over)
        come("camera/gallery/stop", {"id": "stop"}, again=True)
        for id in ("old", "drive"):
            assert (await house.outcome(id))["code"] == "overtaken"
        assert (await house.end("other"))["phase"] == "settled"
        assert house.simulated["gallery"].head.pan_deg(asyncio.get_running_loop().time()) == pytest.approx(0, abs=0.1)
        assert len([1 for topic, said in house.heard if topic == "ptzd/outcome" and said["id"] == "stop"]) == 1

    in_house(tmp_path, scene)


def test_a_stop_of_a_camera_that_there_is_not_is_no_stop(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/gallry/stop", {"id": "stop"})
        outcome = await house.outcome("stop")
        assert (outcome["ok"], outcome["code"]) == (False, "unknown-camera")
        assert "gallery" in outcome["sentence"]

    in_house(tmp_path, scene)


async def disk_is_full(*_: Any) -> None:
    raise Refusal("full", "the disk is full")


def test_an_unlock_that_can_not_be_kept_holds_until_a_restart_and_that_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/lock", {"by": "the rigger", "id": "lock"})
        assert (await house.outcome("lock"))["ok"]
        monkeypatch.setattr(PositionStore, "clear_lock", disk_is_full)
        house.say("camera/left/unlock", {"by": "the rigger", "id": "unlock"})
        outcome = await house.outcome("unlock")
        assert (outcome["ok"], outcome["code"]) == (False, "full")
        assert outcome["sentence"].startswith("camera left is unlocked now, but would be locked after a restart")
        assert not camera_state(house, "left")["locks"]

    in_house(tmp_path, scene)


def test_a_lock_that_can_not_be_kept_holds_now_and_who_locked_is_told_that_it_would_not_outlive_a_restart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House) -> None:
        monkeypatch.setattr(PositionStore, "set_lock", disk_is_full)
        house.say("camera/left/lock", {"by": "the rigger", "id": "lock"})
        outcome = await house.outcome("lock")
        assert (outcome["ok"], outcome["code"]) == (False, "full")
        assert "would not be after a restart" in outcome["sentence"]
        house.say("camera/left/recall", {"position": "soloist", "id": "recall"})
        assert (await house.end("recall"))["code"] == "locked"
        assert [lock["kept"] for lock in camera_state(house, "left")["locks"]] == [False]

    async def after_a_restart(house: House) -> None:
        assert lockers(house, "left") == []

    in_house(tmp_path, scene)
    in_house(tmp_path, after_a_restart)


def test_what_a_full_disk_did_not_take_of_locks_is_kept_once_there_is_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def scene(house: House) -> None:
        house.say("camera/gallery/lock", {"by": "the rigger", "id": "before"})
        assert (await house.outcome("before"))["ok"]
        with monkeypatch.context() as full:
            full.setattr(PositionStore, "set_lock", disk_is_full)
            full.setattr(PositionStore, "clear_lock", disk_is_full)
            house.say("camera/left/lock", {"by": "the rigger", "reason": "hands in it", "id": "1"})
            house.say("camera/left/lock", {"by": "the electrician", "id": "2"})
            house.say("camera/right/lock", {"by": "the rigger", "id": "3"})
            house.say("camera/gallery/unlock", {"by": "the rigger", "id": "4"})
            for id in "1234":
                assert (await house.outcome(id))["code"] == "full"
            await asyncio.sleep(5.0)
            house.say("camera/right/unlock", {"by": "the rigger", "id": "5"})
            assert (await house.outcome("5"))["code"] == "full"
            assert [lock["kept"] for lock in camera_state(house, "left")["locks"]] == [False, False]
        await asyncio.sleep(5.0)
        assert [lock["kept"] for lock in camera_state(house, "left")["locks"]] == [True, True]

    async def after_a_restart(house: House) -> None:
        why = {lock["by"]: lock["reason"] for lock in camera_state(house, "left")["locks"]}
        assert why == {"the electrician": "", "the rigger": "hands in it"}
        assert (lockers(house, "right"), lockers(house, "gallery")) == ([], [])

    in_house(tmp_path, scene)
    in_house(tmp_path, after_a_restart)


def test_a_camera_on_air_is_moved_only_by_who_says_that_it_may_be(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/tally", "program")
        for payload in ("soloist", {"position": "soloist", "id": "1"}, {"position": "soloist", "on_air": False}):
            house.say("camera/left/recall", payload)
            await stays(house, 1)
        assert [move["code"] for _, move in left(house, "refused")] == ["on-air"] * 3
        house.say("camera/left/recall", {"position": "soloist", "seconds": 6, "on_air": True, "id": "2"})
        assert (await house.end("2"))["phase"] == "settled"

    in_house(tmp_path, scene)


def test_every_word_of_a_tally_is_told_as_it_was_said(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        for word in ("preview", "program", "off"):
            house.say("camera/left/tally", word)
            await asyncio.sleep(0.1)
            assert camera_state(house, "left")["tally"] == word

    in_house(tmp_path, scene)


@pytest.mark.parametrize("given_later", [False, True])
def test_a_position_is_recalled_at_the_pace_that_was_stored_with_it(tmp_path: Path, given_later: bool) -> None:
    """Step 3 is 2.2 degrees/s [D], and a unit is up to 5 % off."""

    async def scene(house: House) -> None:
        house.say("camera/left/store", {"position": "gently", "speed": 3, "id": "speed"})
        house.say("camera/right/store", {"position": "gently", "seconds": 15.0, "id": "seconds"})
        assert (await house.outcome("speed"))["ok"] and (await house.outcome("seconds"))["ok"]
        if given_later:
            house.say("camera/left/store", {"position": "gently", "seconds": 3.0, "replace": True, "id": "other"})
            assert (await house.outcome("other"))["ok"]
            house.say("camera/left/pace", {"position": "gently", "speed": 3, "id": "pace"})
            assert (await house.outcome("pace"))["ok"]
        for name in ("left", "right"):
            house.say(f"camera/{name}/recall", {"position": "soloist", "id": f"{name} away"})
            await house.end(f"{name} away")
            house.say(f"camera/{name}/recall", {"position": "gently", "id": f"{name} back"})
        await asyncio.sleep(2)
        now = asyncio.get_running_loop().time()
        assert house.simulated["left"].head.pan_deg_per_s(now) == pytest.approx(2.2, rel=0.06)
        assert (await house.end("right back"))["measured_seconds"] == pytest.approx(15.0, rel=0.2)
        house.say("camera/left/stop")

    in_house(tmp_path, scene)


# A mistake in the program itself


def test_a_camera_whose_conversation_breaks_off_by_a_mistake_is_soon_there_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    converse, broken = Camera.run, list[str]()

    async def breaking_off(camera: Camera) -> None:
        if camera.name == "left" and not broken:
            broken.append(camera.name)
            raise RuntimeError("a mistake")
        await converse(camera)

    async def scene(house: House) -> None:
        for name in ("gallery", "left"):
            house.say(f"camera/{name}/recall", {"position": "choir-wide", "id": name})
            assert (await house.end(name))["phase"] == "settled"
        assert broken == ["left"]

    monkeypatch.setattr(Camera, "run", breaking_off)
    in_house(tmp_path, scene)


def test_who_asks_is_told_of_a_command_that_fails_by_a_mistake_and_the_next_is_done(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def failing(*arguments: object) -> None:
        raise RuntimeError("a mistake")

    async def scene(house: House) -> None:
        monkeypatch.setattr(PositionStore, "rename", failing)
        house.say("camera/left/rename", {"position": "soloist", "to": "solo", "id": "1"})
        assert (await house.outcome("1"))["code"] == "internal"
        monkeypatch.undo()
        house.say("camera/left/rename", {"position": "soloist", "to": "solo", "id": "2"})
        assert (await house.outcome("2"))["ok"]

    in_house(tmp_path, scene)


# Framings, by messages


def test_a_framing_with_digital_zoom_is_not_stored(tmp_path: Path) -> None:
    """Digital zoom lies above 4000 (Ceiling DocCam II technical manual)."""

    async def scene(house: House) -> None:
        camera, lens = house.daemon.cameras["left"], house.simulated["left"].lens
        camera.settings = replace(camera.settings, strange_motion="report")  # somebody zooms by the camera's own remote
        now = asyncio.get_running_loop().time
        lens.zoom_to(now(), 0x4000)
        await asyncio.sleep(8)
        house.say("camera/left/store", {"position": "tele", "id": "tele"})
        assert (await house.outcome("tele"))["ok"], "the optical tele end comes back the same"
        lens.set_digital_zoom(now(), True)
        lens.zoom_to(now(), 0x5000)
        await asyncio.sleep(8)
        house.say("camera/left/store", {"position": "beyond", "id": "beyond"})
        assert (await house.outcome("beyond"))["code"] == "digital-zoom"
        house.say("camera/left/recall", {"position": "beyond", "id": "recall"})
        assert (await house.end("recall"))["code"] == "unknown-position"

    in_house(tmp_path, scene)


def test_where_a_camera_is_left_to_focus_by_itself_a_recall_brings_no_focus_back(tmp_path: Path) -> None:
    async def play() -> None:
        async with open_house(tmp_path, focus_by_itself=frozenset({"left"})) as house:
            for name, by_itself in (("left", True), ("right", False)):
                lens = house.simulated[name].lens
                house.say(f"camera/{name}/recall", {"position": "soloist", "id": name})
                settled = await house.end(name)
                assert settled["phase"] == "settled"
                assert lens.autofocus is by_itself
                assert (settled["landing"]["focus_counts"] is None) is by_itself

    virtual_time.run(play())


@pytest.mark.parametrize("axis", ["pan", "tilt", "zoom", "focus"])
def test_a_camera_two_counts_beside_a_position_does_not_stand_in_it(tmp_path: Path, axis: str) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/recall", {"position": "soloist", "id": "1"})
        await house.end("1")
        simulated = house.simulated["left"]
        of = simulated.head if axis in ("pan", "tilt") else simulated.lens
        true = getattr(of, f"{axis}_counts")
        for off, position in ((1, "soloist"), (2, None), (-1, "soloist"), (-2, None)):
            setattr(of, f"{axis}_counts", lambda now, off=off: true(now) + off)
            await asyncio.sleep(3)
            assert camera_state(house, "left")["position"] == position


def test_a_camera_in_another_focus_mode_does_not_stand_in_its_position(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/recall", {"position": "soloist", "id": "1"})
        await house.end("1")
        lens = house.simulated["left"].lens
        for by_itself, position in ((True, None), (False, "soloist")):
            lens.autofocus = by_itself
            await asyncio.sleep(8)
            assert camera_state(house, "left")["position"] == position

    in_house(tmp_path, scene)


def test_an_unlock_that_a_lock_has_overtaken_does_not_unlock(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/gallery/lock", {"by": "stage", "id": "lock"})
        await house.outcome("lock")
        unlock = json.dumps({"by": "stage", "id": "unlock"}).encode()
        house.daemon.handle(Incoming("ptzd/camera/gallery/unlock", unlock, overtaken=frozenset({"gallery"})))
        assert (await house.outcome("unlock"))["code"] == "overtaken"
        assert house.daemon.cameras["gallery"].locks

    in_house(tmp_path, scene)


def test_a_go_while_a_camera_is_locked_does_not_move_it_when_it_is_unlocked(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/lock", {"by": "the rigger", "id": "lock"})
        await house.outcome("lock")
        house.say("cue/go", {"id": "go"})
        await house.outcome("go")
        house.say("camera/left/unlock", {"by": "the rigger", "id": "unlock"})
        unlocked = await house.outcome("unlock")
        assert unlocked["ok"], unlocked
        await stays(house, 3)

    in_house(tmp_path, scene, read_show_text(LATER_ON_AIR))


def stand_still(daemon: Daemon, seconds: float) -> None:
    """Let the daemon see its clock jump, as after a freeze."""
    shift = 0.0
    loop = asyncio.get_running_loop()
    daemon._stall = Stall(lambda: loop.time() + shift)
    shift = seconds


def test_after_a_stall_drives_and_undated_recalls_are_discarded_and_stops_are_not(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async def scene(house: House) -> None:
        stand_still(house.daemon, 8.0)
        now = (EVENING + timedelta(seconds=asyncio.get_running_loop().time())).isoformat()
        house.say("camera/gallery/drive", {"pan": 1, "id": "drive"})
        house.say("camera/gallery/recall", {"position": "choir-wide", "id": "old"})
        house.say("camera/left/recall", {"position": "choir-wide", "id": "dated", "sent_at": now})
        house.say("all/stop", {"id": "stop"})
        house.say("camera/gallery/lock", {"by": "stage", "id": "lock"})
        for id, ok, code in (("drive", False, "stalled"), ("old", False, "stalled"), ("stop", True, None)):
            answer = await house.outcome(id)
            assert (answer["ok"], answer["code"]) == (ok, code)
        assert (await house.end("dated"))["phase"] == "stopped"  # it was carried out, and then came the stop
        await asyncio.sleep(0.2)
        house.say("camera/right/recall", {"position": "choir-wide", "id": "new"})
        assert (await house.end("new"))["phase"] == "settled"
        assert (await house.outcome("lock"))["ok"]

    in_house(tmp_path, scene)
    assert "stood still for 8.0 s" in capsys.readouterr().out


@pytest.mark.parametrize("waited", [True, False], ids=["one-waits", "none-comes"])
def test_a_stall_in_a_drive_stops_the_camera_before_any_message(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], waited: bool
) -> None:
    async def scene(house: House) -> None:
        await house.hands_off()
        house.say("camera/gallery/drive", {"pan": 1})
        await asyncio.sleep(0.3)
        assert house.speed() > 10
        stand_still(house.daemon, 2.0)
        if waited:
            house.say("camera/gallery/drive", {"pan": 1, "id": "waited"})
            assert (await house.outcome("waited"))["code"] == "stalled"
        await asyncio.sleep(0.6 if waited else 1.0)  # the beat looks within a tenth of a second
        assert house.speed() == 0

    in_house(tmp_path, scene)
    assert "stood still for" in capsys.readouterr().out


def test_of_many_refusals_of_a_kind_a_few_are_logged_and_the_rest_is_counted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    async def scene(house: House) -> None:
        for number in range(1000):
            house.say(f"camera/gallery/nonsense-{number}", "x")
            house.say("camera/gallery/recall", "choir-nowhere")
        house.say("camera/gallery/lock", {"wrong": 1})
        await asyncio.sleep(11)

    in_house(tmp_path, scene)
    logged = capsys.readouterr().out
    assert logged.count("code=unknown-topic") == 5 + 1
    assert logged.count("code=unknown-position") == 5 + 1
    assert logged.count("left_out=995") == 2
    assert "code=unknown-field" in logged or "code=missing-field" in logged


def test_with_a_damaged_store_stops_and_locks_work_and_every_camera_is_locked_until_it_is_unlocked(
    tmp_path: Path,
) -> None:
    async def fill() -> None:
        async with open_house(tmp_path):
            pass

    async def scene(house: House) -> None:
        status = await house.until(lambda topic, message: topic == "ptzd/status" and message["state"] == "online")
        assert any("damaged" in trouble for trouble in status["troubles"])
        for name in CAMERAS:
            assert house.daemon.cameras[name].locks
        house.say("all/stop", {"id": "stop"})
        assert (await house.outcome("stop"))["ok"]
        house.say("camera/gallery/unlock", {"by": "stage", "id": "unnamed"})
        refused = await house.outcome("unnamed")
        assert (refused["code"], "by ptzd" in refused["sentence"]) == ("not-theirs", True)
        assert house.daemon.cameras["gallery"].locks
        house.say("camera/gallery/unlock", {"by": "stage", "whose": "ptzd", "id": "unlock"})
        unlocked = await house.outcome("unlock")
        assert "is unlocked now, but would be locked after a restart" in unlocked["sentence"]
        await house.hands_off()
        house.say("camera/gallery/drive", {"pan": 1})
        await asyncio.sleep(0.3)
        assert house.speed() > 10
        house.say("camera/gallery/lock", {"by": "stage", "id": "lock"})
        assert "is locked now" in (await house.outcome("lock"))["sentence"]
        await asyncio.sleep(1)
        assert house.speed() == 0

    virtual_time.run(fill())
    path = tmp_path / "show.db"
    data = bytearray(path.read_bytes())
    for page in range(1, len(data) // 4096):
        data[page * 4096 : page * 4096 + 200] = b"\xa5" * 200
    path.write_bytes(data)
    in_house(tmp_path, scene, store_works=False)


# The table of commands


def test_each_command_is_done_by_one_function(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        assert set(house.daemon.handlers) == set(COMMANDS)

    in_house(tmp_path, scene)


def photograph(shade: int) -> bytes:
    out = BytesIO()
    Image.new("RGB", (1920, 1080), (shade, shade, shade)).save(out, "JPEG")
    return out.getvalue()


def shade_of(jpeg: bytes) -> tuple[tuple[int, int], int]:
    with Image.open(BytesIO(jpeg)) as picture:
        return picture.size, round(float(np.asarray(picture).mean()))


def test_a_store_keeps_a_still_that_history_reverts_and_exports_carry(tmp_path: Path) -> None:
    shades = iter((40, 80))

    async def scene(house: House) -> None:
        seen, camera = house.daemon.seen, "camera/left"
        for id in ("first", "second"):
            house.say(f"{camera}/store", {"position": "solo", "replace": True, "id": id})
            assert (await house.outcome(id))["result"] == {"still": True, "warning": None}
        house.say(f"{camera}/pace", {"position": "solo", "seconds": 4, "id": "pace"})  # it looks as it did
        await house.outcome("pace")
        house.say(f"{camera}/history", {"position": "solo", "id": "history"})
        entries = (await house.outcome("history"))["result"]["entries"]
        stills = {entry["number"]: entry["position"]["still"] for entry in entries}
        assert stills[3] == stills[2] != stills[1]
        for number, shade in ((None, 80), (3, 80), (2, 80), (1, 40)):
            found = await seen.still("left", "solo", number)
            assert found is not None
            assert (found[0], shade_of(found[1])) == ("image/jpeg", ((640, 360), shade))
        assert await seen.still("left", "choir-wide") is None  # from before there was a picture
        house.say(f"{camera}/revert", {"position": "solo", "number": 1, "id": "revert"})
        await house.outcome("revert")
        house.say(f"{camera}/rename", {"position": "solo", "to": "alto", "id": "rename"})
        await house.outcome("rename")
        (told,) = [message for topic, message in house.heard if topic.endswith("left/positions")][-1:]
        assert {one["name"]: one["still"] for one in told["positions"]}["alto"] == stills[1]
        house.say("show/export", {"camera": "left", "stills": True, "id": "export"})
        text = (await house.outcome("export"))["result"]["show"]
        assert "[positions.right" not in text
        assert text.index("[stills.left]") > text.rindex("[positions.")
        house.say(f"{camera}/delete", {"position": "alto", "id": "delete"})
        await house.outcome("delete")
        house.say("show/import", {"show": text, "id": "import"})
        assert (await house.outcome("import"))["result"]["added"] == 1
        found = await seen.still("left", "alto")
        assert found is not None
        assert shade_of(found[1])[1] == 40

    in_house(tmp_path, scene, pictures=lambda: MemoryPictures({"left": lambda: photograph(next(shades))}))


def no_picture() -> bytes:
    raise Refusal("no-picture", "there is no picture of camera left: it did not come")


@pytest.mark.parametrize(
    "shown, words",
    [(no_picture, "it did not come"), (lambda: b"\xff\xd8\xff no more", "no JPEG that can be read")],
)
def test_a_store_without_a_picture_is_done_and_says_why_there_is_no_still(
    tmp_path: Path, shown: Callable[[], bytes], words: str
) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/store", {"position": "solo", "id": "one"})
        outcome = await house.outcome("one")
        assert outcome["ok"]
        assert outcome["result"]["still"] is False
        assert words in outcome["result"]["warning"]
        assert (await house.daemon.seen.still("left", "solo")) is None
        house.say("camera/right/store", {"position": "solo", "id": "two"})  # it has no picture address
        assert (await house.outcome("two"))["result"] == {"still": False, "warning": None}

    in_house(tmp_path, scene, pictures=lambda: MemoryPictures({"left": shown}))


def test_a_position_from_before_there_was_a_picture_gets_its_still_once_its_camera_has_settled_there(
    tmp_path: Path,
) -> None:
    shades = iter((40, 80))

    async def scene(house: House) -> None:
        for id in ("first", "again"):
            house.say("camera/left/recall", {"position": "choir-wide", "id": id})
            await house.end(id)
            await asyncio.sleep(5.0)
            found = await house.daemon.seen.still("left", "choir-wide")
            assert found is not None
            assert shade_of(found[1])[1] == 40, "what was kept is not replaced unasked"
        house.say("camera/left/recall", {"position": "soloist", "id": "left early"})
        await house.end("left early")
        house.say("camera/left/recall", {"position": "choir-wide", "id": "back"})
        await house.end("back")
        assert await house.daemon.seen.still("left", "soloist") is None

    in_house(tmp_path, scene, pictures=lambda: MemoryPictures({"left": lambda: photograph(next(shades, 80))}))


def test_a_camera_that_moves_while_its_picture_is_taken_gets_no_still_and_leaves_at_once(tmp_path: Path) -> None:
    async def scene(house: House) -> None:
        house.say("camera/left/store", {"position": "solo", "id": "store"})
        await asyncio.sleep(1.5)
        house.say("camera/left/recall", {"position": "choir-wide", "id": "recall"})
        assert (await house.end("recall"))["phase"] == "settled"
        outcome = await house.outcome("store")
        assert outcome["ok"]
        assert "moved while its picture was taken" in outcome["result"]["warning"]

    in_house(tmp_path, scene, pictures=lambda: MemoryPictures({"left": lambda: photograph(40)}, seconds=2.0))


class Onlooker(MemoryPictures):
    """Shows what a simulated gallery sees of the stage, where people never stand quite still."""

    def __init__(self) -> None:
        super().__init__({"gallery": self._jpeg})

    def look_through(self, camera: SimulatedCamera) -> None:
        self.eye, self.simulated = look_at(Stage(), {"gallery": camera})["gallery"], camera
        camera.lens.focus_by_itself(asyncio.get_running_loop().time(), 0.0, 0.0)

    def _jpeg(self) -> bytes:
        return self.eye.jpeg(self.eye.sees(self.simulated, asyncio.get_running_loop().time()))


def test_what_only_the_picture_tells_is_told_after_a_recall_with_a_trim_and_nothing_moves(tmp_path: Path) -> None:
    onlookers: list[Onlooker] = []

    def onlooker() -> Onlooker:
        onlookers.append(Onlooker())
        return onlookers[-1]

    async def scene(house: House) -> None:
        camera = house.simulated["gallery"]
        onlookers[0].look_through(camera)
        await asyncio.sleep(5)

        async def seen_after_a_recall(id: str) -> dict[str, Any]:
            for position in ("choir-wide", "wall"):
                house.say("camera/gallery/recall", {"position": position, "id": f"{id} {position}"})
                assert (await house.end(f"{id} {position}"))["phase"] == "settled"
            before = len([1 for topic, _ in house.heard if topic.endswith("/drift")])
            await asyncio.sleep(5)
            told = [message for topic, message in house.heard if topic.endswith("/drift")]
            assert len(told) == before + 1
            promised_of(DriftMessage).validate(told[-1])
            return told[-1]

        house.say("camera/gallery/store", {"position": "wall", "id": "store"})
        assert (await house.outcome("store"))["result"]["still"] is True
        nothing = await seen_after_a_recall("1")
        assert (nothing["position"], nothing["drifted"], nothing["sentence"]) == ("wall", False, None)

        camera.zoom_slipped = 0.012
        slipped = await seen_after_a_recall("2")
        assert slipped["larger"] == pytest.approx(0.012, abs=0.003)
        assert slipped["trim"]["tighter"] == pytest.approx(-0.012, abs=0.003)
        assert "1.2 % tighter" in slipped["sentence"]
        assert "zoom ring" in slipped["sentence"]

        camera.zoom_slipped, camera.knocked = 0.0, Knock(-0.4)
        knocked = await seen_after_a_recall("3")
        share = 100 / 35.9 * tan(radians(0.4))  # of the picture's width, through 100 mm on 35.9 mm
        assert knocked["trim"]["right"] == pytest.approx(share, abs=1 / 640)
        assert "px right" in knocked["sentence"]
        assert "knocked" in knocked["sentence"]
        assert house.speed() == 0.0
        assert house.daemon.cameras["gallery"].state().position == "wall"

        house.say("camera/gallery/tally", "program")
        for position in ("choir-wide", "wall"):
            house.say("camera/gallery/recall", {"position": position, "id": position, "on_air": True})
            assert (await house.end(position))["phase"] == "settled"
        told = [message for topic, message in house.heard if topic.endswith("/drift")]
        await asyncio.sleep(5)
        assert told == [message for topic, message in house.heard if topic.endswith("/drift")]

    in_house(tmp_path, scene, pictures=onlooker)


def test_two_sightings_bring_thirty_positions_of_a_knocked_head_back_and_it_is_undone_in_one_step(
    tmp_path: Path,
) -> None:
    rng = random.Random(5)
    framings = {f"shot-{number}": (rng.randint(-3000, 3000), rng.randint(-700, 1400)) for number in range(28)} | {
        "far-left": (-3100, 100),
        "far-right": (3100, 300),
    }
    show = "".join(
        f"[positions.gallery.{name}]\npan_counts = {pan}\ntilt_counts = {tilt}\nzoom_counts = 4096\n"
        f'focus_counts = 16384\nfocus_mode = "manual"\ndialect = "nibble4-51"\n'
        for name, (pan, tilt) in framings.items()
    )
    eye = Eye(Stage(), place_of("gallery"))

    async def scene(house: House) -> None:
        head, knock = house.simulated["gallery"].head, Knock(3.0, -1.5, 2.0)

        async def done(verb: str, **payload: Any) -> dict[str, Any]:
            id = f"{verb} {len(house.heard)}"
            house.say(f"camera/gallery/{verb}", payload | {"id": id})
            return await (house.end(id) if verb in ("recall", "nudge") else house.outcome(id))

        def stored() -> dict[str, tuple[int, int]]:
            [*_, told] = [message for topic, message in house.heard if topic == "ptzd/camera/gallery/positions"]
            return {each["name"]: (each["pan_counts"], each["tilt_counts"]) for each in told["positions"]}

        for name in ("choir-wide", "soloist"):
            await done("delete", position=name)
        house.say("show/import", {"show": show, "id": "import"})
        assert (await house.outcome("import"))["result"]["added"] == 30
        house.simulated["gallery"].knocked = knock
        assert (await done("align"))["code"] == "no-sightings"
        for name in ("far-left", "far-right"):  # what scipy says that an operator does who frames them anew
            before = framings[name][0] / 51.2, framings[name][1] / 51.2
            pan, tilt = drawn_knocks.Knock(3.0, -1.5, 2.0).now(before)
            await done("recall", position=name)
            assert (await done("nudge", pan_deg=pan - before[0], tilt_deg=tilt - before[1]))["phase"] == "settled"
            assert (await done("sight", position=name))["ok"]
        shown = (await done("align"))["result"]
        assert stored() == framings, "nothing is written unasked"
        assert (shown["turned"]["right_deg"], shown["turned"]["up_deg"], shown["turned"]["clockwise_deg"]) == (
            pytest.approx((3.0, -1.5, 2.0), abs=0.05)
        )
        applied = (await done("align", apply=True))["result"]
        assert (applied["applied"], applied["positions"]) == (True, shown["positions"])
        for name in rng.sample(sorted(framings), 6):
            before = framings[name][0] / 51.2, framings[name][1] / 51.2
            wanted = eye.axes(*before)[2]
            assert (await done("recall", position=name))["phase"] == "settled"
            now = asyncio.get_running_loop().time()
            looks = eye.axes(head.pan_deg(now), head.tilt_deg(now), knock)[2]
            off_deg = degrees(acos(min(1.0, float(looks @ wanted))))
            assert off_deg * 51.2 < 3.0, name
        assert (await done("align"))["code"] == "no-sightings", "what was applied is forgotten"
        assert len((await done("unalign"))["result"]["positions"]) == 30
        await house.until(lambda topic, message: topic.endswith("gallery/positions"))
        assert stored() == framings
        assert (await done("unalign"))["code"] == "unknown"

    in_house(tmp_path, scene)


class BlinkResult(Result):
    blinked: int


class BlinkCommand(Command):
    """Let the lamp of the camera blink."""

    on = "camera/NAME/blink"
    examples = ("3", '{"times": 3}')
    bare = Bare("times", "^[1-9]$", int)
    results = (BlinkResult,)

    times: int = Field(ge=1, le=9, description="a whole number from 1 to 9")


class Lamps:
    @handles(BlinkCommand)
    def blink(self, asked: Asked[BlinkCommand], camera: Camera) -> BlinkResult:
        if asked.what.times > 5:
            raise Refusal("lamp", f"the lamp of camera {camera.name} blinks 5 times at most")
        return BlinkResult(blinked=asked.what.times)


def test_a_class_and_a_function_make_a_command(tmp_path: Path) -> None:
    commands: tuple[type[Command], ...] = (*COMMANDS, BlinkCommand)

    async def play() -> None:
        async with open_house(tmp_path, topics=Topics("ptzd", commands)) as house:
            house.daemon.handlers |= handlers_of(Lamps())
            house.say("camera/left/blink", {"times": 3, "id": "blink"})
            assert (await house.outcome("blink"))["result"] == {"blinked": 3}
            house.say("camera/left/blink", "4")
            await house.until(lambda _, message: message.get("result") == {"blinked": 4})
            for times, code in ((6, "lamp"), (10, "bad-value")):
                house.say("camera/left/blink", {"times": times, "id": str(times)})
                assert (await house.outcome(str(times)))["code"] == code
            house.say("camera/left/blonk", {"id": "blonk"})
            assert "ptzd/camera/left/blink?" in (await house.outcome("blonk"))["sentence"]

    virtual_time.run(play())
    document = asyncapi(commands=commands)
    assert promised("blink", document).is_valid({"times": 3})
    assert not promised("blink-outcome", document).is_valid({"result": {"blinked": "often"}})
    assert '| `camera/NAME/blink` | `3` or `{"times": 3}` | Let the lamp of the camera blink |' in tables(commands)


def test_no_two_functions_do_the_same_command() -> None:
    class MoreLamps(Lamps):
        blink = Lamps.blink

    with pytest.raises(TypeError, match="BlinkCommand"):
        handlers_of(Lamps(), MoreLamps())


def test_all_that_is_said_is_as_the_document_of_the_bus_promises(tmp_path: Path) -> None:
    said: list[Said] = []

    async def play() -> None:
        broker = MemoryBroker()
        broker.listen(said.append)
        async with open_house(tmp_path, broker, read_show_text(CUES)) as house:
            house.say("camera/left/recall", {"position": "soloist", "id": "1"})
            house.say("camera/right/recall", {"position": "nowhere", "id": "2"})
            await house.hands_off()
            house.say("camera/gallery/drive", {"pan": 1, "grip": "fine", "id": "3"})
            house.say("camera/left/foresee", {"position": "soloist"})
            house.say("camera/left/history", {"position": "soloist", "id": "4"})
            house.say("camera/right/learn", {"pan_deg": [-20, 20], "tilt_deg": [-10, 20], "estimate": True, "id": "5"})
            house.say("camera/right/rename", {"position": "soloist", "to": "singer", "id": "6"})
            house.say("camera/right/delete", {"position": "choir-wide", "id": "7"})
            house.say("camera/right/store", "anew")
            house.say("show/export")
            house.say("cue/standby")
            house.say("cue/go")
            house.say("cue/places")
            house.say("cue/list")
            house.say("show/rehearse")
            house.say("nonsense")
            await asyncio.sleep(2)
            house.say("camera/left/lock", {"by": "stage", "reason": "lens"})
            house.say("camera/left/unlock", {"by": "stage"})
            house.say("camera/right/rename", {"position": "soloist", "to": "singer", "id": "6"})
            house.say("camera/right/delete", {"position": "choir-wide", "id": "7"})
            for id in ("4", "5", "6", "7"):
                await house.outcome(id)
            await asyncio.sleep(10)
            for verb, payload in (
                ("sight", "soloist"),
                ("unsight", "soloist"),
                ("sight", "choir-wide"),
                ("align", {"apply": True}),
                ("unalign", ""),
            ):
                house.say(f"camera/gallery/{verb}", payload)
                await asyncio.sleep(2)

    virtual_time.run(play())
    topics, heard, with_result = Topics("ptzd"), set(), set()
    for one in said:
        found = topics.parse(one.topic)
        if isinstance(found, ReportTopic):
            message = json.loads(one.payload)
            promised_of(found.report).validate(message)
            heard.add(found.report)
            if message.get("result") is not None:
                asked = topics.parse(message["topic"])
                assert isinstance(asked, CommandTopic)
                promised(f"{name_of(asked.command)}-outcome").validate(message)
                with_result.add(asked.command)
    assert heard == set(REPORTS) - {LearnProgressMessage, DriftMessage}
    assert with_result == {command for command in COMMANDS if command.results} - {
        ImportCommand,
        LoadCommand,
        WriteCommand,
        RemoveCommand,
        MatchCommand,
        RestoreCommand,
    }
