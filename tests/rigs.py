"""A camera under test: the real `Camera` on one end of a wire in memory, a simulated one on the other."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator, Callable, Coroutine, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any, Literal

from ptzsim import virtual_time
from ptzsim.camera import SimulatedCamera
from ptzsim.habits import Habits, draw_habits
from ptzsim.mount import draw_mount, mount_named
from ptzsim.serial_line import SerialChain
from ptzsim.serving import serve_bare, serve_memory
from ptzsim.truth import draw_stranger, draw_truth
from ptzsim.wiring import Wiring

from ptzd.cameras import Camera, CameraSettings, CameraState, MoveReport, Optics, Recall
from ptzd.guard import Guard
from ptzd.line import Framing, Tolerance
from ptzd.links import Form, Link, MemoryLink, memory_pair
from ptzd.links.chain import Chain
from ptzd.motion import published_head
from ptzd.visca import Dialect, load_dialect


class CutLink:
    """A wire that can be cut: nothing passes either way while it is."""

    def __init__(self, link: Link, form: Form = "numbered") -> None:
        self._link = link
        self.form = form
        self.trouble: str | None = None
        self.cut = False
        self.heard = False  # anything of the camera

    def send(self, datagram: bytes) -> None:
        if not self.cut:
            self._link.send(datagram)

    def overtake(self) -> None:
        self._link.overtake()

    async def receive(self) -> bytes:
        while True:
            datagram = await self._link.receive()
            if not self.cut:
                self.heard = True
                return datagram


class AlwaysThere:
    """A guard that is there and does nothing."""

    watches = True

    def renew(self, camera: str, seconds: float) -> None:
        pass


class Rig:
    """One camera, its simulated counterpart and everything that it said."""

    def __init__(
        self,
        camera: Camera,
        simulated: SimulatedCamera,
        said: list[CameraState | MoveReport],
        moves: list[MoveReport],
        link: CutLink,
        run: asyncio.Task[None],
    ) -> None:
        self.run = run
        self.link = link
        self.camera = camera
        self.simulated = simulated
        self.said = said
        self.moves = moves  # of what it said

    def forget(self) -> None:
        self.said.clear()
        self.moves.clear()

    @property
    def phases(self) -> list[tuple[str | None, str]]:
        return [(each.position, each.phase.value) for each in self.moves]

    async def until(self, condition: Callable[[], bool], seconds: float = 60.0) -> None:
        async with asyncio.timeout(seconds):
            while not condition():
                await asyncio.sleep(0.02)

    async def ready(self) -> None:
        await self.until(lambda: self.camera.state().power == "on" and not self.camera.moving)

    async def end_of(self, id: str, seconds: float = 120.0) -> MoveReport:
        seen = 0  # of thousands of reports each is looked at once
        end: MoveReport | None = None

        def ended() -> bool:
            nonlocal seen, end
            for each in self.moves[seen:]:
                if each.id == id and each.phase.ended:
                    end = each
            seen = len(self.moves)
            return end is not None

        await self.until(ended, seconds)
        assert end is not None
        return end

    async def recall(self, recall: Recall) -> MoveReport:
        self.camera.recall(recall)
        assert recall.id is not None
        return await self.end_of(recall.id)

    def speed(self) -> float:
        now = asyncio.get_running_loop().time()
        head = self.simulated.head
        return abs(head.pan_deg_per_s(now)) + abs(head.tilt_deg_per_s(now))


@asynccontextmanager
async def rigged(
    *,
    dialect_name: str = "nibble4-51",
    dialect: Dialect | None = None,
    seed: int = 1,
    loss: float = 0.0,
    ready: bool = True,
    on_air_moves: str = "ask",
    off_air_untold: bool = True,
    mount: str = "tripod",
    optics: Optics | None = None,
    guard: Guard | None = None,
    habits: Habits | None = None,
    doubled: float = 0.0,
    report: Callable[[CameraState | MoveReport], None] | None = None,
    form: Form | Literal["serial"] = "numbered",
    delay_seconds: float = 0.0005,
    late_seconds: float = 0.0,
    stranger: bool = False,
    overhead: bool = False,
    stands_in: Callable[[Framing], str | None] = lambda framing: None,
    wiring: Wiring | None = None,
) -> AsyncIterator[Rig]:
    """`dialect` goes before `dialect_name`; `report` hears what the camera says, in place of the rig's own lists.

    A `stranger` differs from its kind in whatever no document says, its mount and habits too.
    """
    rng = random.Random(seed)
    dialect = dialect or load_dialect(dialect_name)
    loop = asyncio.get_running_loop()
    simulated = SimulatedCamera(
        dialect,
        truth=draw_stranger(dialect, rng) if stranger else draw_truth(dialect, rng),
        mount=draw_mount(rng) if stranger else mount_named(mount),
        started_at=loop.time(),
        ready=ready,
        habits=habits or (draw_habits(rng) if stranger else Habits()),
    )
    ours, theirs = memory_pair(
        delay_seconds=delay_seconds, loss=loss, doubled=doubled, late_seconds=late_seconds, rng=rng
    )
    if form == "serial":
        (wire,) = serial_links([simulated], wiring=wiring, rng=rng)
        link = CutLink(wire, "stream")
        serve: Callable[[SimulatedCamera, MemoryLink], Coroutine[None, None, None]] = _served_already
    else:
        link = CutLink(ours, form)
        bare = partial(serve_bare, stream=form == "stream", wiring=wiring, rng=rng)
        serve = serve_memory if form == "numbered" else bare
    said: list[CameraState | MoveReport] = []
    moves: list[MoveReport] = []

    def keep(each: CameraState | MoveReport) -> None:
        said.append(each)
        if isinstance(each, MoveReport):
            moves.append(each)

    camera = camera_on(
        link,
        dialect,
        report or keep,
        guard=guard,
        on_air_moves=on_air_moves,
        off_air_untold=off_air_untold,
        optics=optics,
        overhead=overhead,
        stands_in=stands_in,
    )
    async with asyncio.TaskGroup() as group:
        tasks = [group.create_task(camera.run()), group.create_task(serve(simulated, theirs))]
        try:
            yield Rig(camera, simulated, said, moves, link, tasks[0])
        finally:
            for task in tasks:
                task.cancel()


def with_rig(scene: Callable[[Rig], Coroutine[Any, Any, None]], *, first: Framing | None = None, **rig: Any) -> None:
    """Play a scene on a virtual clock with a rig that is ready, and stands where it is sent `first`."""

    async def play() -> None:
        async with rigged(**rig) as made:
            await made.ready()
            if first is not None:
                assert (await made.recall(Recall("first", first, id="first"))).phase == "settled"
            await scene(made)

    virtual_time.run(play())


def simulated_camera(dialect: Dialect, rng: random.Random, habits: Habits | None = None) -> SimulatedCamera:
    """Return a simulated camera on a tripod that is ready by the running loop's clock: one unit as it is drawn."""
    return SimulatedCamera(
        dialect,
        truth=draw_truth(dialect, rng),
        mount=mount_named("tripod"),
        started_at=asyncio.get_running_loop().time(),
        ready=True,
        habits=habits or Habits(),
    )


def camera_on(
    link: Link,
    dialect: Dialect,
    report: Callable[[CameraState | MoveReport], None],
    *,
    name: str = "gallery",
    guard: Guard | None = None,
    on_air_moves: str = "ask",
    off_air_untold: bool = True,
    optics: Optics | None = None,
    overhead: bool = False,
    stands_in: Callable[[Framing], str | None] = lambda framing: None,
) -> Camera:
    """Return a camera that speaks over a link; its `run` is the caller's to start."""
    loop = asyncio.get_running_loop()
    return Camera(
        CameraSettings(
            name=name,
            dialect=dialect,
            head=published_head(
                dialect.pan.steps_deg_per_s,
                dialect.tilt.steps_deg_per_s,
                shared_speed=dialect.absolute == "shared-speed",
            ),
            speed=24,
            tolerance=Tolerance(),
            on_air_moves=on_air_moves,  # type: ignore[arg-type]
            optics=optics,
            overhead=overhead,
        ),
        link,
        guard=guard or AlwaysThere(),
        calendar=lambda: datetime(2026, 6, 20, 19, 30, tzinfo=UTC) + timedelta(seconds=int(loop.time())),
        report=report,
        stands_in=stands_in,
        off_air_untold=off_air_untold,
    )


def serial_links(simulated: Sequence[SimulatedCamera], *, wiring: Wiring | None, rng: random.Random) -> list[Link]:
    """Return a link to each of these cameras, which stand in a chain on one wire of 9600 baud in memory."""
    chain = Chain(9600)
    wire = SerialChain(simulated, chain.heard, wiring=wiring, rng=rng)
    made: list[Link] = [chain.join(place + 1) for place in range(len(simulated))]
    chain.begin(wire.heard, fresh=True)
    return made


async def _served_already(camera: SimulatedCamera, link: MemoryLink) -> None:
    await asyncio.Event().wait()


def framing(pan: int, tilt: int = 0, zoom: int = 0, focus: int = 0x4000, mode: str = "manual") -> Framing:
    return Framing(pan, tilt, zoom, focus, mode)  # type: ignore[arg-type]
