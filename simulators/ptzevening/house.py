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

from ptzsim import Habits, Mount, Scene, SimulatedCamera, draw_truth

from ptzd.bus import HeldElsewhere, Holding, Intake, MemoryBroker, MemoryBus, Said, StatusMessage, Topics
from ptzd.cameras import CameraSettings
from ptzd.cues import ONCE_WITHIN_SECONDS
from ptzd.daemon import Daemon, ShowText
from ptzd.files import ShowFile
from ptzd.guard import MemoryGuard, Watched
from ptzd.links import Form, Link
from ptzd.positions import HeadFiles, PositionStore, StoredPosition, inline
from ptzd.refusal import Refusal
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
    habits: Habits = Habits()  # noqa: RUF009 - it is frozen
    ready: bool = True  # as the doors open; else it sweeps its range first
    form: Form = "numbered"  # in which it is spoken to


@dataclass(frozen=True, slots=True)
class Sweep:
    """A camera was switched on, swept its whole range, and was known to be ready at last. Times of the loop."""

    camera: str
    switched_at: float
    ready_at: float


class House:
    """Cameras on their wires, a broker, and a daemon that may end and be started again; spoken to over the bus."""

    def __init__(
        self,
        actors: Mapping[str, Actor],
        folder: Path,
        seed: int,
        show: ShowFile | None,
        group: asyncio.TaskGroup,
        off_air_untold: bool = True,
        once_within_seconds: float = ONCE_WITHIN_SECONDS,
    ) -> None:
        self.actors = actors
        self.folder = folder
        self.seed = seed
        self.show = show
        self.off_air_untold = off_air_untold
        self.once_within_seconds = once_within_seconds
        self.broker = MemoryBroker()
        self.topics = Topics()
        self.heads = HeadFiles(folder, inline)
        self.lives: list[Life] = []  # of the daemon, the latest last
        self.sweeps: list[Sweep] = []
        self._group = group
        self._loop = asyncio.get_running_loop()
        self.wires = {name: Wire(self._simulated(name, actor), actor.form) for name, actor in actors.items()}
        self._said = asyncio.Event()  # anything, by the daemon
        self._states: dict[str, dict[str, Any]] = {}
        self._moving: set[str] = set()
        self._switched_at: dict[str, float] = {}
        self._to_be_noticed: dict[str, list[str]] = {}  # states of power that the daemon will find out about, in turn
        self._hearing: list[Callable[[str, dict[str, Any]], None]] = []
        self.broker.listen(self._heard)

    def _simulated(self, name: str, actor: Actor) -> SimulatedCamera:
        dialect = actor.settings.dialect
        camera = SimulatedCamera(
            dialect,
            truth=draw_truth(dialect, random.Random(f"{self.seed}/{name}")),
            mount=actor.mount,
            started_at=self._loop.time(),
            ready=actor.ready,
            habits=actor.habits,
        )
        camera.lens.scene = scene_of(actor, random.Random(f"{self.seed}/{name}/scene")) or camera.lens.scene
        return camera

    def calendar(self) -> datetime:
        """What a clock on the wall shows."""
        return DOORS + timedelta(seconds=self._loop.time())

    async def start(self, folder: Path | None = None) -> Life:
        """Start a daemon, with a store in another `folder` if need be; wait until it serves or has refused to."""
        life = Life(self, len(self.lives), folder or self.folder)
        self.lives.append(life)
        self._group.create_task(life.live())
        await life.ready.wait()
        return life

    def close(self) -> None:
        """Carry nothing more over any wire."""
        for wire in self.wires.values():
            wire.close()

    def say(self, topic: str, payload: Mapping[str, Any] | str) -> None:
        """Say something on a topic below the base, as a vision mixer or an operator would."""
        text = payload if isinstance(payload, str) else json.dumps(payload)
        self.broker.publish(f"{self.topics.base}/{topic}", text.encode())

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
        """Keep who moves; a refusal leaves a move of before as it was, and one that is superseded has a newer."""
        if move["phase"] in ("accepted", "slewing", "settling"):
            self._moving.add(move["camera"])
        elif move["phase"] not in ("superseded", "refused"):
            self._moving.discard(move["camera"])

    def _heard(self, said: Said) -> None:
        if not said.payload:
            return
        topic = said.topic.removeprefix(f"{self.topics.base}/")
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
async def _opened(end: WireEnd) -> AsyncIterator[Link]:
    yield end


class Life:
    """One run of the daemon in a house, from its start to its end, with a store, a guard and a bus of its own."""

    def __init__(self, house: House, number: int, folder: Path) -> None:
        """`folder` is for its store."""
        self.ready = asyncio.Event()
        self.ended = asyncio.Event()
        self.killed = False
        self.refused: Refusal | HeldElsewhere | None = None  # why it could not start
        self.daemon: Daemon
        self.bus: MemoryBus
        self._house = house
        self._number = number
        self._folder = folder
        self._rng = random.Random(f"{house.seed}/{number}")
        self._ends = {name: wire.end() for name, wire in house.wires.items()}
        self._serving: asyncio.Task[None] | None = None

    @property
    def serves(self) -> bool:
        """Whether it is there: it has started and has neither ended nor been told to end."""
        return self.ready.is_set() and not self.ended.is_set() and not self.killed

    async def live(self) -> None:
        """Serve until `end` or `kill`, or until this is cancelled; then every camera is brought to rest."""
        house = self._house
        watched = [
            Watched(name, actor.settings.dialect, partial(_opened, house.wires[name].end()))
            for name, actor in house.actors.items()
        ]
        try:
            async with MemoryGuard(watched) as guard:
                self._serving = asyncio.ensure_future(self._serve(guard))
                try:
                    await asyncio.wait([self._serving])
                finally:
                    self._serving.cancel()
                    await asyncio.wait([self._serving])
                if self.killed:  # as its process does, the guard outlives it
                    guard.lose_the_daemon()
                    await guard.until_idle()
                if not self._serving.cancelled():
                    self._serving.result()
        except (Refusal, HeldElsewhere) as refusal:
            self.refused = refusal
        finally:
            self.ended.set()
            self.ready.set()

    async def _serve(self, guard: MemoryGuard) -> None:
        house, actors = self._house, self._house.actors
        offline = StatusMessage(state="offline").encode()
        holding = Holding(host="evening", since=house.calendar(), token=f"life {self._number}")
        async with (
            PositionStore.open(self._folder / "evening.db", calendar=house.calendar, run_disk=inline) as store,
            MemoryBus(house.broker, house.topics, offline=offline, cameras=list(actors), holding=holding) as self.bus,
        ):
            await self.bus.hold()
            if self is house.lives[0]:
                for name, actor in actors.items():
                    for position in actor.positions:
                        if store.position(name, position.name) is None:
                            await store.store(position)
            self.daemon = Daemon(
                links={name: (actor.settings, self._ends[name]) for name, actor in actors.items()},
                focus_by_itself=frozenset(name for name, actor in actors.items() if actor.focus_by_itself),
                store=store,
                bus=self.bus,
                intake=Intake(house.topics, calendar=house.calendar),
                calendar=house.calendar,
                heads=house.heads,
                rng=self._rng,
                guard=guard,
                show=house.show,
                off_air_untold=house.off_air_untold,
                once_within_seconds=house.once_within_seconds,
                show_text=ShowText(house.folder / "show.toml", inline),
            )
            await self.daemon.run(self.ready.set)

    async def end(self) -> None:
        """End in good order, as upon SIGTERM: every camera is brought to rest."""
        if self._serving is not None:
            self._serving.cancel()
        await self.ended.wait()

    async def kill(self, *, will: bool = True) -> None:
        """Be gone at once, as upon SIGKILL. Without `will` the broker has not noticed, and says it some other time."""
        assert self._serving is not None
        self.killed = True
        for end in self._ends.values():
            end.cut()
        self._house.broker.kill(self.bus, will=will)
        while not self._serving.done():
            self._serving.cancel()
            await asyncio.sleep(0)
        await self.ended.wait()


@asynccontextmanager
async def open_house(
    actors: Mapping[str, Actor],
    folder: Path,
    *,
    seed: int,
    show: ShowFile | None = None,
    once_within_seconds: float = ONCE_WITHIN_SECONDS,
) -> AsyncIterator[House]:
    """Open a house with its store in `folder`; `seed` decides which units of their kind the cameras are.

    With a `show` the daemon has its cues, which it reads anew from `folder`/show.toml. Positions that the store has
    already are left as they are. `once_within_seconds` is as for `Daemon`.

    Needs a virtual clock. Raises TimeoutError where a camera does not come up.
    """
    async with open_doors(actors, folder, seed=seed, show=show, once_within_seconds=once_within_seconds) as house:
        await house.start()
        async with asyncio.timeout(WAKING_SECONDS):
            await house.until_still(actors)
        yield house


@asynccontextmanager
async def open_doors(
    actors: Mapping[str, Actor],
    folder: Path,
    *,
    seed: int,
    show: ShowFile | None = None,
    off_air_untold: bool = True,
    once_within_seconds: float = ONCE_WITHIN_SECONDS,
) -> AsyncIterator[House]:
    """Open a house as `open_house` does, in which no daemon runs before `House.start`; the last one ends with it.

    `off_air_untold` and `once_within_seconds` are as for `Daemon`.
    """
    try:
        async with asyncio.TaskGroup() as group:
            house = House(actors, folder, seed, show, group, off_air_untold, once_within_seconds)
            try:
                yield house
            finally:
                for life in house.lives:
                    await life.end()
                house.close()
    except ExceptionGroup as group_of_one:
        raise group_of_one.exceptions[0] from None
