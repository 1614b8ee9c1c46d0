"""Simulated cameras that somebody has set going, and a guard on a wire of its own to each."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

from ptzsim import Habits, SimulatedCamera
from ptzsim.serving import serve_memory
from rigs import simulated_camera

from ptzd.guard import HaltBegan, HaltEnded, MemoryGuard, Watched
from ptzd.links import Form, Link, MemoryLink, memory_pair
from ptzd.visca import Command, PanTiltDrive, ZoomTele, load_dialect


class Watcher:
    """The guard's end of a wire. It counts what is sent, and can be cut."""

    form: Form = "numbered"
    trouble: str | None = None

    def __init__(self, link: Link) -> None:
        self.link = link
        self.sent_at: list[float] = []
        self.opened = 0
        self.cut = False

    def send(self, datagram: bytes) -> None:
        self.sent_at.append(asyncio.get_running_loop().time())
        if not self.cut:
            self.link.send(datagram)

    def overtake(self) -> None:
        self.link.overtake()

    async def receive(self) -> bytes:
        while True:
            datagram = await self.link.receive()
            if not self.cut:
                return datagram

    @asynccontextmanager
    async def open(self) -> AsyncIterator[Link]:
        self.opened += 1
        yield self


@dataclass
class Scene:
    """One camera, `gallery`, its guard and what that told."""

    camera: SimulatedCamera
    guard: MemoryGuard
    wire: Watcher
    told: list[HaltBegan | HaltEnded] = field(default_factory=list)
    second: MemoryLink | None = None

    def second_wire(self) -> MemoryLink:
        """The end of another wire to the camera, for somebody else."""
        assert self.second is not None
        return self.second

    def perform(self, command: Command) -> None:
        """Have the camera do something, as somebody else's order."""
        self.camera.body.perform(command, asyncio.get_running_loop().time())

    def drive(self, pan_step: int = 24) -> None:
        """Set head and zoom going, without an end."""
        self.perform(PanTiltDrive(pan_step, 20, 1, 0))
        self.perform(ZoomTele(3))

    @property
    def moving(self) -> bool:
        now = asyncio.get_running_loop().time()
        return self.camera.head.moving(now)

    async def seconds_moving(self, limit: float = 30.0) -> float:
        """Wait until head and zoom rest; return how long that took."""
        loop = asyncio.get_running_loop()
        began_at = loop.time()
        zoom: list[int] = []
        async with asyncio.timeout(limit):
            while self.moving or len(zoom) < 2 or zoom[-1] != zoom[-2]:
                await asyncio.sleep(0.02)
                zoom.append(self.camera.lens.zoom_counts(loop.time()))
        return loop.time() - began_at


@asynccontextmanager
async def watched_scene(
    *, dialect_name: str = "nibble4-51", loss: float = 0.0, seed: int = 1, habits: Habits | None = None
) -> AsyncIterator[Scene]:
    rng = random.Random(seed)
    dialect = load_dialect(dialect_name)
    camera = simulated_camera(dialect, rng, habits)
    ours, theirs = memory_pair(loss=loss, rng=rng)
    others, at_the_camera = memory_pair(loss=loss, rng=rng)
    wire = Watcher(ours)
    told: list[HaltBegan | HaltEnded] = []
    async with (
        asyncio.TaskGroup() as group,
        MemoryGuard([Watched("gallery", dialect, wire.open)], told=told.append) as guard,
    ):
        serving = group.create_task(serve_memory(camera, theirs, at_the_camera))
        try:
            yield Scene(camera, guard, wire, told, others)
        finally:
            serving.cancel()
