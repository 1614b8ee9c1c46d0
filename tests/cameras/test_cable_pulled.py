"""A cable is pulled in mid-move, on each kind of link, and put back: what is said meanwhile, and what heads do then.

Real sockets and pseudo-terminals, in real time. A pulled cable leaves nobody who could stop a head that is driven: it
must be told that it may be moving, and the first thing that it hears when it is reached again is a stop.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from ptzsim import SimulatedCamera, Wiring, draw_wiring, serve_serial, serve_tcp, serve_udp
from rigs import camera_on, framing, simulated_camera
from waiting import until

from ptzd import links
from ptzd.cameras import Camera, CameraState, MoveReport, Recall
from ptzd.links import LinkAddress, SerialAddress
from ptzd.refusal import Refusal
from ptzd.visca import PanTiltDrive, load_dialect

DIALECT = load_dialect("nibble4-51")
PLAYED = [(kind, seed) for kind in ("udp", "bare-udp", "tcp", "serial") for seed in (1, 2)]


@dataclass
class Cabled:
    """One camera, its simulated counterpart and what was said of it."""

    simulated: SimulatedCamera
    said: list[CameraState | MoveReport] = field(default_factory=list)
    camera: Camera | None = None

    @property
    def face(self) -> Camera:
        assert self.camera is not None
        return self.camera

    @property
    def up(self) -> bool:
        return self.face.state().link == "up" and self.face.state().power == "on"

    @property
    def phases(self) -> list[str]:
        return [each.phase.value for each in self.said if isinstance(each, MoveReport)]

    @property
    def speed(self) -> float:
        now = asyncio.get_running_loop().time()
        return abs(self.simulated.head.pan_deg_per_s(now)) + abs(self.simulated.head.tilt_deg_per_s(now))


@asynccontextmanager
async def cabled(kind: str, folder: Path, wiring: Wiring) -> AsyncIterator[tuple[Cabled, Cabled]]:
    """Two cameras on links of a kind; on a serial line on one wire."""
    rng = random.Random(1)
    both = [Cabled(simulated_camera(DIALECT, rng)) for _ in range(2)]
    async with AsyncExitStack() as stack:
        if kind == "serial":
            simulated = [each.simulated for each in both]
            await stack.enter_async_context(serve_serial(simulated, folder / "port", wiring=wiring, rng=rng))
        for place, each in enumerate(both, 1):
            address: links.Address
            if kind == "serial":
                address = SerialAddress(str(folder / "port"), place)
            elif kind == "tcp":
                served = serve_tcp(each.simulated, "127.0.0.1", 0, wiring=wiring, rng=rng)
                address = LinkAddress("127.0.0.1", await stack.enter_async_context(served), "tcp")
            else:
                bare = serve_udp(each.simulated, "127.0.0.1", 0, bare=kind == "bare-udp", rng=rng)
                port = await stack.enter_async_context(bare)
                address = LinkAddress("127.0.0.1", port, "bare-udp" if kind == "bare-udp" else "udp")
            link = await stack.enter_async_context(links.open(address))
            each.camera = camera_on(link, DIALECT, each.said.append, name=f"camera-{place}")
        async with asyncio.TaskGroup() as group:
            running = [group.create_task(each.face.run()) for each in both]
            try:
                await until(lambda: all(each.up and not each.face.moving for each in both), 8)
                yield both[0], both[1]
            finally:
                for task in running:
                    task.cancel()


async def pulled(kind: str, seed: int, folder: Path) -> None:
    """Pull the cables of two cameras in mid-move for five seconds, and look what becomes of them."""
    folder.mkdir()
    loop = asyncio.get_running_loop()
    async with cabled(kind, folder, draw_wiring(random.Random(f"wiring {seed}"))) as (recalled, driven):
        recalled.face.recall(Recall("far", framing(1536), step=6, id="far"))  # 30° at 2.6°/s: it is long under way
        for _ in range(5):
            driven.face.drive(0.4, 0.0, 0.0, 0.0)
            await asyncio.sleep(0.1)
        assert recalled.speed > 0
        assert driven.speed > 0
        pulled_at = loop.time()
        for each in (recalled, driven):
            each.simulated.pull(pulled_at + 5.0)
        driven.simulated.body.perform(PanTiltDrive(8, 1, 1, 0), pulled_at)  # whatever was on its way when it was pulled
        await until(lambda: "failed" in recalled.phases, 4.5)
        await until(lambda: driven.face.state().link == "down" and recalled.face.state().link == "down", 4.5)
        assert any("may still be moving" in fault for fault in driven.face.state().faults)
        assert driven.speed > 0  # nobody reaches it
        await asyncio.sleep(pulled_at + 5.0 - loop.time())
        await until(lambda: driven.speed == 0, 2.5)
        await until(lambda: recalled.up and driven.up and not driven.face.moving and not recalled.face.moving, 60)
        assert "settled" not in recalled.phases
        recalled.face.recall(Recall("near", framing(recalled_counts(recalled) + 100), id="near"))
        await until(lambda: "settled" in recalled.phases, 8)
        assert recalled.speed == 0


def recalled_counts(cabled: Cabled) -> int:
    return DIALECT.pan.counts(cabled.simulated.head.pan_deg(asyncio.get_running_loop().time()))


@pytest.fixture(scope="module")
def outcomes(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, int], BaseException | None]:
    """What became of each; they take their time, so all are played at once."""

    async def play() -> list[BaseException | None]:
        folder = tmp_path_factory.mktemp("cables")
        plays = (pulled(kind, seed, folder / f"{kind}-{seed}") for kind, seed in PLAYED)
        return await asyncio.gather(*plays, return_exceptions=True)

    return dict(zip(PLAYED, asyncio.run(play()), strict=True))


@pytest.mark.parametrize(("kind", "seed"), PLAYED)
def test_a_cable_is_pulled_in_mid_move_and_put_back(
    kind: str, seed: int, outcomes: dict[tuple[str, int], BaseException | None]
) -> None:
    if (wrong := outcomes[kind, seed]) is not None:
        raise wrong


@pytest.mark.parametrize("seconds", [0.5, 1.0, 1.5])
async def test_a_device_that_is_back_soon_stops_what_was_driven_though_the_push_goes_on(
    seconds: float, tmp_path: Path
) -> None:
    loop = asyncio.get_running_loop()
    async with cabled("serial", tmp_path, draw_wiring(random.Random("wiring 1"))) as (_, driven):

        async def push(for_seconds: float) -> None:
            ends_at = loop.time() + for_seconds
            while loop.time() < ends_at:
                with suppress(Refusal):
                    driven.face.drive(0.2, 0.0, 0.0, 0.0)
                await asyncio.sleep(0.1)

        await push(1.0)
        assert driven.speed > 0
        driven.simulated.pull(loop.time() + seconds)
        await push(seconds + 0.5)
        assert any("the connection to it was lost" in str(each) for each in driven.said)
        stops = asyncio.create_task(until(lambda: driven.speed == 0, 6.0))
        await push(6.0)
        await stops
        assert driven.speed == 0, "whoever still pushes has to let go first"
        assert not driven.face.moving
