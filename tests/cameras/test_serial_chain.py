"""Seven cameras share one serial wire of 9600 baud, and none is in the way of another."""

from __future__ import annotations

import asyncio
import random
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field

import pytest
from ptzsim import SimulatedCamera, draw_habits, draw_truth, draw_wiring, mount_named, virtual_time
from ptzsim.serial_line import SerialChain
from rigs import camera_on, framing
from waiting import until

from ptzd.cameras import Camera, CameraState, MoveReport, Recall
from ptzd.links.chain import Chain
from ptzd.refusal import Refusal
from ptzd.visca import PanTiltDrive, load_dialect

DIALECT = load_dialect("nibble4-51")
COUNT = 7


@dataclass
class Head:
    """One of the seven."""

    simulated: SimulatedCamera
    camera: Camera
    said: list[CameraState | MoveReport] = field(default_factory=list)

    @property
    def ready(self) -> bool:
        return self.camera.state().power == "on" and self.camera.state().link == "up" and not self.camera.moving

    @property
    def ended(self) -> list[str]:
        return [each.phase.value for each in self.said if isinstance(each, MoveReport) and each.phase.ended]

    @property
    def driven_until(self) -> float:
        return self.simulated.head.driven_until(asyncio.get_running_loop().time())

    @property
    def moving(self) -> bool:
        return self.simulated.head.moving(asyncio.get_running_loop().time())


@asynccontextmanager
async def chained(seed: int, wires: list[SerialChain] | None = None) -> AsyncIterator[list[Head]]:
    """Seven heads on one wire, which is put into `wires`."""
    rng = random.Random(seed)
    loop = asyncio.get_running_loop()
    simulated = [
        SimulatedCamera(
            DIALECT,
            truth=draw_truth(DIALECT, rng),
            mount=mount_named("tripod"),
            started_at=loop.time(),
            ready=True,
            habits=draw_habits(rng),
        )
        for _ in range(COUNT)
    ]
    chain = Chain(9600)
    wire = SerialChain(simulated, chain.heard, wiring=draw_wiring(rng), rng=rng)
    if wires is not None:
        wires.append(wire)
    heads = []
    for place, each in enumerate(simulated, 1):
        said: list[CameraState | MoveReport] = []
        camera = camera_on(chain.join(place), DIALECT, said.append, name=f"camera-{place}")
        heads.append(Head(each, camera, said))
    chain.begin(wire.heard, fresh=True)
    async with asyncio.TaskGroup() as group:
        running = [group.create_task(head.camera.run()) for head in heads]
        try:
            await until(lambda: all(head.ready for head in heads), 20)
            yield heads
        finally:
            for task in running:
                task.cancel()


@pytest.mark.parametrize("seed", range(6))
def test_seven_that_are_recalled_at_once_all_settle_where_they_were_sent(seed: int) -> None:
    async def play() -> None:
        async with chained(seed) as heads:
            for turn in (1, -1, 2):
                for number, head in enumerate(heads):
                    where = framing(turn * (400 + 50 * number), 100 * turn, 0x1000)
                    head.camera.recall(Recall("aside", where, id=str(turn)))
                ends = abs(turn) + (turn != 1)
                await until(lambda ends=ends: all(len(head.ended) >= ends for head in heads), 60)  # type: ignore[misc]
                for number, head in enumerate(heads):
                    assert set(head.ended) == {"settled"}
                    pan_deg = head.simulated.head.pan_deg(asyncio.get_running_loop().time())
                    assert abs(DIALECT.pan.counts(pan_deg) - turn * (400 + 50 * number)) <= 1

    virtual_time.run(play())


@pytest.mark.parametrize("seed", range(6))
def test_a_stop_gets_through_while_six_others_are_driven(seed: int) -> None:
    async def play() -> None:
        loop = asyncio.get_running_loop()
        async with chained(seed) as heads:
            for turn in range(25):
                for head in heads if turn < 20 else heads[1:]:
                    head.camera.drive(0.3, 0.1, 0.2, 0.0)
                if turn == 20:
                    assert all(head.moving for head in heads)
                    stopped_at = loop.time()
                    heads[0].camera.stop()
                await asyncio.sleep(0.1)
            # 17 ms for a message on the wire, 10 for a cancel of each socket and 10 for the stop; its processor, up to
            # 0.1 s that a head may take over it, and once more where that was cancelled.
            assert heads[0].driven_until - stopped_at < 0.3
            assert all(head.moving for head in heads[1:])
            await until(lambda: heads[0].ready, 3)
            for head in heads:
                head.camera.stop()
            await until(lambda: not any(head.moving for head in heads), 1.0)
            await until(lambda: all(head.ready for head in heads), 3)

    virtual_time.run(play())


@pytest.mark.parametrize("seed", range(4))
def test_one_that_restarts_disturbs_none_that_moves_and_comes_back_by_its_address(seed: int) -> None:
    async def play() -> None:
        loop = asyncio.get_running_loop()
        async with chained(seed) as heads:
            heads[5].camera.recall(Recall("far", framing(3000), step=12, id="far"))
            await asyncio.sleep(1.0)
            heads[2].simulated.power_cut(loop.time())
            await until(lambda: bool(heads[5].ended), 30)
            assert heads[5].ended == ["settled"]
            assert all(head.camera.state().link == "up" for head in heads if head is not heads[2])
            await until(lambda: heads[2].ready, 60)
            heads[2].camera.recall(Recall("near", framing(500), id="near"))
            await until(lambda: bool(heads[2].ended), 20)
            assert heads[2].ended == ["settled"]

    virtual_time.run(play())


@pytest.mark.parametrize("seed", range(4))
def test_while_one_is_taken_out_no_head_moves_since_nobody_knows_which_is_which(seed: int) -> None:
    async def play() -> None:
        loop = asyncio.get_running_loop()
        wires: list[SerialChain] = []
        async with chained(seed, wires) as heads:
            driven = heads[6]
            for _ in range(10):
                driven.camera.drive(0.3, 0.1, 0.2, 0.0)
                await asyncio.sleep(0.1)
            assert driven.moving
            taken_out_at = loop.time()
            wires[0].take_out(2)
            await until(lambda: not driven.moving, 2.0)
            assert driven.driven_until - taken_out_at < 0.6
            await until(lambda: all(head.camera.state().link == "down" for head in heads), 6)
            assert any("may still be moving" in fault for fault in driven.camera.state().faults)
            places = [head.simulated.head.pan_deg(loop.time()) for head in heads]
            for head in heads:
                head.camera.recall(Recall("aside", framing(1000), id="aside"))
            await asyncio.sleep(5.0)
            assert [head.simulated.head.pan_deg(loop.time()) for head in heads] == pytest.approx(places)
            wires[0].put_back(2)
            await until(lambda: all(head.ready for head in heads), 20)
            heads[3].camera.recall(Recall("aside", framing(1000), id="again"))
            await until(lambda: "settled" in heads[3].ended, 20)
            assert DIALECT.pan.counts(heads[3].simulated.head.pan_deg(loop.time())) == pytest.approx(1000, abs=1)

    virtual_time.run(play())


@pytest.mark.parametrize("seconds", [0.8, 2.0, 6.0])
@pytest.mark.parametrize("seed", range(2))
def test_one_that_restarts_while_the_wire_is_dead_is_given_its_address_when_that_lives_again(
    seed: int, seconds: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def play() -> None:
        loop = asyncio.get_running_loop()
        wires: list[SerialChain] = []
        async with chained(seed, wires) as heads:
            with monkeypatch.context() as dead:
                dead.setattr(wires[0], "_write", lambda data: None)
                dead.setattr(wires[0], "_arrived", lambda message: None)
                await asyncio.sleep(0.3)
                heads[2].simulated.power_cut(loop.time())  # it says "network change", and nobody hears it
                await asyncio.sleep(seconds - 0.3)
            await asyncio.sleep(5.0)  # until that it restarted is seen
            await until(lambda: all(head.ready for head in heads), 60)
            heads[2].camera.recall(Recall("near", framing(500), id="near"))
            await until(lambda: bool(heads[2].ended), 20)
            assert heads[2].ended == ["settled"]

    virtual_time.run(play())


def test_of_one_that_has_lost_its_address_that_is_told() -> None:
    async def play() -> None:
        wires: list[SerialChain] = []
        async with chained(1, wires) as heads:
            wires[0]._places[2] = None
            await until(lambda: heads[2].camera.state().link == "down", 10)
            assert any("may have lost its address" in fault for fault in heads[2].camera.state().faults)
            with pytest.raises(Refusal, match="address 3: a camera there that is on may have lost its address"):
                heads[2].camera.foresee(Recall("near", framing(500)))
            assert all(head.camera.state().faults == () for head in heads if head is not heads[2])

    virtual_time.run(play())


def test_one_that_somebody_else_moves_is_noticed_within_two_seconds() -> None:
    async def play() -> None:
        loop = asyncio.get_running_loop()
        async with chained(1) as heads:
            heads[6].simulated.moved_by_another(PanTiltDrive(10, 1, 1, 0), loop.time())
            await until(lambda: not heads[6].moving, 2.0)
            assert any("nobody here had ordered it" in fault for fault in heads[6].camera.state().faults)

    virtual_time.run(play())
