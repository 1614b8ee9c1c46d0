"""The house in which an evening is played: the daemon itself, its bus and store, and a simulated camera for each.

Only what a virtual clock can't wait for has its twin in memory: the wires, the broker, the disk's thread.
"""

from __future__ import annotations

import asyncio
import json
import random
from collections.abc import AsyncIterator, Callable, Iterable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from math import hypot
from pathlib import Path
from typing import Any

from ptzsim import Mount, Scene, SimulatedCamera, draw_truth

from ptzd.bus import Intake, MemoryBroker, MemoryBus, Said, StatusMessage, Topics
from ptzd.cameras import CameraSettings
from ptzd.daemon import Daemon
from ptzd.files import ShowFile
from ptzd.guard import MemoryGuard, Watched
from ptzd.links import Link
from ptzd.positions import HeadFiles, PositionStore, StoredPosition, inline
from ptzd.visca import DialectError, PowerOn, PowerStandby

from .wire import Wire, WireEnd

DOORS = datetime(2031, 5, 24, 19, 0, tzinfo=UTC)  # any: nothing depends on the date
WAKING_SECONDS = 30.0
# How far an auto focus finds people from where it found them in the afternoon, in counts: they stand a step further
# on. Assumed.
STEP_ASIDE_COUNTS = 250.0


@dataclass(frozen=True, slots=True)
class Actor:
    """One camera of the evening: what the daemon knows of it, and what the simulated one hangs on."""

    settings: CameraSettings
    positions: tuple[StoredPosition, ...]
    mount: Mount
    focus_by_itself: bool = False


@dataclass(frozen=True, slots=True)
class Sweep:
    """A camera was switched on, swept its whole range, and was known to be ready at last. Times of the loop."""

    camera: str
    switched_at: float
    ready_at: float


class House:
    """A running daemon, spoken to over its bus."""

    def __init__(self, broker: MemoryBroker, topics: Topics, wires: Mapping[str, Wire], heads: HeadFiles) -> None:
        self.wires = wires
        self.heads = heads
        self._broker = broker
        self._topics = topics
        self._loop = asyncio.get_running_loop()
        self._said = asyncio.Event()  # anything, by the daemon
        self._states: dict[str, dict[str, Any]] = {}
        self._moving: set[str] = set()
        self.sweeps: list[Sweep] = []
        self._switched_at: dict[str, float] = {}
        self._to_be_noticed: dict[str, list[str]] = {}  # states of power that the daemon will find out about, in turn
        self._hearing: list[Callable[[str, dict[str, Any]], None]] = []
        broker.listen(self._heard)

    def say(self, topic: str, payload: Mapping[str, Any] | str) -> None:
        """Say something on a topic below the base, as a vision mixer or an operator would."""
        text = payload if isinstance(payload, str) else json.dumps(payload)
        self._broker.publish(f"{self._topics.base}/{topic}", text.encode())

    def hear(self, heard: Callable[[str, dict[str, Any]], None]) -> None:
        """Call `heard` with the topic below the base and the message of every move, outcome, progress and cue."""
        self._hearing.append(heard)

    def position_of(self, camera: str) -> str | None:
        """The stored position that a camera stands in, as it last said."""
        position: str | None = self._states[camera]["position"]
        return position

    def switch_off(self, camera: str) -> None:
        """Put a camera into standby by its own remote control, of which the daemon hears nothing."""
        self.wires[camera].camera.body.perform(PowerStandby(), self._loop.time())
        self._to_be_noticed[camera] = ["standby"]

    def switch_on(self, camera: str) -> None:
        """Switch a camera on or, where it is on, off and on again; it sweeps its whole range."""
        simulated, now = self.wires[camera].camera, self._loop.time()
        if simulated.body.powered:
            simulated.power_cut(now)
        else:
            simulated.body.perform(PowerOn(), now)
        self._switched_at[camera] = now
        self._to_be_noticed[camera] = ["starting", "on"]

    def _notice(self, camera: str, power: str) -> None:
        awaited = self._to_be_noticed.get(camera)
        if awaited and power == awaited[0]:
            del awaited[0]
            if power == "on":
                self.sweeps.append(Sweep(camera, self._switched_at.pop(camera), self._loop.time()))

    @property
    def knows_its_cameras(self) -> bool:
        """Whether the daemon has found out which cameras were switched on and off."""
        return not any(self._to_be_noticed.values())

    @property
    def still(self) -> bool:
        """Whether no camera moves and no datagram is under way."""
        return (
            not self._moving
            and self.knows_its_cameras
            and all(wire.quiet for wire in self.wires.values())
            and all(state["phase"] == "idle" for state in self._states.values())
        )

    async def until_still(self, cameras: Iterable[str]) -> None:
        """Wait until these cameras are up and at rest."""
        names = list(cameras)
        await self.until(lambda: all(self._at_rest(name) for name in names))

    async def until(self, condition: Callable[[], bool]) -> None:
        """Wait until something is so; it is looked at whenever the daemon says something of a camera."""
        while not condition():
            self._said.clear()
            await self._said.wait()

    def _at_rest(self, camera: str) -> bool:
        state = self._states.get(camera)
        return state is not None and (state["power"], state["activity"]) == ("on", "at-rest")

    def _note(self, move: dict[str, Any]) -> None:
        """Keep who moves; a refusal leaves a move of before as it was."""
        if move["phase"] in ("accepted", "slewing", "settling"):
            self._moving.add(move["camera"])
        elif move["phase"] == "superseded":
            pass  # the newer one goes on
        elif move["phase"] != "refused":
            self._moving.discard(move["camera"])

    def _heard(self, said: Said) -> None:
        if not said.payload:
            return
        topic = said.topic.removeprefix(f"{self._topics.base}/")
        if topic.endswith("/state") and topic.startswith("camera/"):
            camera = topic.split("/")[1]
            self._states[camera] = json.loads(said.payload)
            self._notice(camera, self._states[camera]["power"])
        elif topic.endswith(("/move", "/learn-progress")) or topic in ("outcome", "cue/state"):
            message = json.loads(said.payload)
            if topic.endswith("/move"):
                self._note(message)
            for heard in self._hearing:
                heard(topic, message)
        self._said.set()


def scene_of(actor: Actor, rng: random.Random) -> Scene | None:
    """Return what stands before a camera: what its nearest position was focused on; None where it has no position.

    A position in auto focus tells where that found its subject, and one focused by hand what somebody chose, which
    counts only where there is nothing else.
    """
    dialect = actor.settings.dialect
    framings = []
    for position in actor.positions:
        with suppress(DialectError):  # told where it is to be recalled
            framings.append(position.framing_for(dialect))
    found = [framing for framing in framings if actor.focus_by_itself or framing.focus_mode == "auto"] or framings
    subjects = [
        (
            dialect.pan.degrees(framing.pan_counts),
            dialect.tilt.degrees(framing.tilt_counts),
            framing.zoom_counts,
            framing.focus_counts + rng.uniform(-STEP_ASIDE_COUNTS, STEP_ASIDE_COUNTS),
        )
        for framing in found
    ]
    if not subjects:
        return None

    def sharp(pan_deg: float, tilt_deg: float, zoom_counts: float) -> float:
        def away(subject: tuple[float, float, float, float]) -> tuple[float, float]:
            return round(hypot(subject[0] - pan_deg, subject[1] - tilt_deg), 1), abs(subject[2] - zoom_counts)

        return min(subjects, key=away)[3]

    return sharp


@asynccontextmanager
async def _another_end(wire: Wire) -> AsyncIterator[Link]:
    yield WireEnd(wire)


@asynccontextmanager
async def open_house(
    actors: Mapping[str, Actor], folder: Path, *, seed: int, show: ShowFile | None = None
) -> AsyncIterator[House]:
    """Open a house with its store in `folder`; `seed` decides which units of their kind the cameras are.

    With a `show` the daemon has its cues. Positions that the store has already are left as they are.

    Needs a virtual clock. Raises TimeoutError where a camera does not come up.
    """
    loop = asyncio.get_running_loop()
    rng = random.Random(seed)

    def calendar() -> datetime:
        return DOORS + timedelta(seconds=loop.time())

    broker, topics, heads = MemoryBroker(), Topics(), HeadFiles(folder, inline)
    async with PositionStore.open(folder / "evening.db", calendar=calendar, run_disk=inline) as store:
        wires = {}
        for name, actor in actors.items():
            dialect = actor.settings.dialect
            truth = draw_truth(dialect, random.Random(f"{seed}/{name}"))
            camera = SimulatedCamera(dialect, truth=truth, mount=actor.mount, started_at=loop.time(), ready=True)
            camera.lens.scene = scene_of(actor, random.Random(f"{seed}/{name}/scene")) or camera.lens.scene
            wires[name] = Wire(camera)
            for position in actor.positions:
                if store.position(name, position.name) is None:
                    await store.store(position)
        watched = [Watched(name, actors[name].settings.dialect, partial(_another_end, wires[name])) for name in actors]
        async with (
            MemoryGuard(watched) as guard,
            MemoryBus(broker, topics, offline=StatusMessage(state="offline").encode(), cameras=list(actors)) as bus,
        ):
            daemon = Daemon(
                links={name: (actor.settings, wires[name]) for name, actor in actors.items()},
                focus_by_itself=frozenset(name for name, actor in actors.items() if actor.focus_by_itself),
                store=store,
                bus=bus,
                intake=Intake(topics, calendar=calendar),
                calendar=calendar,
                heads=heads,
                rng=rng,
                guard=guard,
                show=show,
                off_air_untold=True,
            )
            house = House(broker, topics, wires, heads)
            try:
                async with asyncio.TaskGroup() as group:
                    running = group.create_task(daemon.run(lambda: None))
                    try:
                        async with asyncio.timeout(WAKING_SECONDS):
                            await house.until_still(actors)
                        yield house
                    finally:
                        running.cancel()
                        await asyncio.wait([running])
            except ExceptionGroup as group_of_one:
                raise group_of_one.exceptions[0] from None
            finally:
                for wire in wires.values():
                    wire.close()
