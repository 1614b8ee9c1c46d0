"""A head's slow mode makes moves on air smoother, and is never on when anything else moves the head.

No document says how slow it is; the simulated heads take `SLOW_MODE_SHARE` of their table, which only these tests know.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Coroutine
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import pytest
from ptzsim import virtual_time
from ptzsim.body import Body
from ptzsim.body import Refusal as NotExecuted
from ptzsim.head import SLOW_MODE_SHARE
from rigs import Rig, framing, rigged

from ptzd.cameras import LearnLimits, Lock, MoveReport, Optics, Recall
from ptzd.cameras.learning import Progress
from ptzd.motion import AxisModel, HeadModel, Sensor, SlowMode, lens_between
from ptzd.refusal import Refusal
from ptzd.visca import (
    AxisScale,
    Cancel,
    ErrorCode,
    Packet,
    PanTiltStop,
    PayloadType,
    SlowModeOff,
    SlowModeOn,
    load_dialect,
)

DIALECT = load_dialect("shared4-51")
ON, OFF, STOP = (command.encode(DIALECT) for command in (SlowModeOn(), SlowModeOff(), PanTiltStop()))
LOCK = Lock("the rigger", "hands at the head", datetime(2026, 6, 20, tzinfo=UTC))
SECONDS = 8.0
THERE = framing(512, 100)  # 10° and 2°: on average 1.25°/s and 0.25°/s
FAR = framing(-6000, 300)
FASTEST_DEG_PER_S = 120.0  # of pan, in the dialect's table


def few_steps(scale: AxisScale) -> AxisScale:
    """From the slowest to the fastest as in the table: each is a trial of its own while a head is learned."""
    return scale.model_copy(update={"steps_deg_per_s": (scale.steps_deg_per_s[0], *scale.steps_deg_per_s[3::4])})


FEW_STEPS = DIALECT.model_copy(update={"pan": few_steps(DIALECT.pan), "tilt": few_steps(DIALECT.tilt)})


def with_rig(scene: Callable[[Rig], Coroutine[Any, Any, None]], *, learned: bool = True, **rig: Any) -> None:
    async def play() -> None:
        async with rigged(**{"dialect_name": "shared4-51", **rig}) as made:
            await made.ready()
            if learned:
                settings = made.camera.settings
                made.camera.settings = replace(settings, head=with_slow_mode(settings.head))
            await scene(made)

    virtual_time.run(play())


def with_slow_mode(head: HeadModel) -> HeadModel:
    """What learning finds of a head that is as its dialect's table says."""
    pan, tilt = (
        AxisModel(tuple(SLOW_MODE_SHARE * speed for speed in axis.steps_deg_per_s), axis.acceleration_deg_per_s2)
        for axis in (head.pan, head.tilt)
    )
    return replace(head, slow=SlowMode(pan, tilt, head.spread.speed))


def sent_by(rig: Rig) -> list[bytes]:
    """The payloads of the commands that leave from now on, as they leave."""
    sent: list[bytes] = []
    send = rig.link.send

    def note(datagram: bytes) -> None:
        packet = Packet.decode(datagram)
        if packet.payload_type is PayloadType.COMMAND:
            sent.append(packet.payload)
        send(datagram)

    rig.link.send = note  # type: ignore[method-assign]
    return sent


def is_slow(rig: Rig) -> bool:
    return rig.simulated.head._pan.top_speed(1) < 0.5 * DIALECT.pan.steps_deg_per_s[0]


async def begin_in_slow_mode(rig: Rig) -> None:
    """Be in the middle of a shaped move that slow mode makes smoother."""
    rig.camera.set_tally("program")
    rig.camera.recall(Recall("there", THERE, seconds=SECONDS, on_air=True, id="slow"))
    await asyncio.sleep(SECONDS / 2)
    assert is_slow(rig)
    assert rig.speed() > 1.0


async def runs_at_full_speed(rig: Rig) -> None:
    """A direct recall reaches the fastest step and settles."""
    fastest = 0.0

    async def look() -> None:
        nonlocal fastest
        while True:
            now = asyncio.get_running_loop().time()
            fastest = max(fastest, abs(rig.simulated.head.pan_deg_per_s(now)))
            await asyncio.sleep(0.01)

    rig.camera.set_tally("off")
    looking = asyncio.create_task(look())
    report = await rig.recall(Recall("far", FAR, id="direct"))
    looking.cancel()
    assert (report.phase, report.way) == ("settled", "direct")
    assert fastest > 0.5 * FASTEST_DEG_PER_S > SLOW_MODE_SHARE * FASTEST_DEG_PER_S
    assert not is_slow(rig)


async def jolt_of(rig: Rig, recall: Recall) -> tuple[MoveReport, float, float]:
    """Make a move on air; return its end, when the head stopped, and the largest change of speed within 0.2 s."""
    loop, head = asyncio.get_running_loop(), rig.simulated.head
    speeds: list[tuple[float, float]] = []
    moved_at = 0.0

    async def look() -> None:
        nonlocal moved_at
        while True:
            speeds.append((head.pan_deg_per_s(loop.time()), head.tilt_deg_per_s(loop.time())))
            if speeds[-1] != (0.0, 0.0):
                moved_at = loop.time()
            await asyncio.sleep(0.01)

    rig.camera.set_tally("program")
    looking = asyncio.create_task(look())
    began = loop.time()
    report = await rig.recall(recall)
    looking.cancel()
    jolt = max(
        ((one[0] - other[0]) ** 2 + (one[1] - other[1]) ** 2) ** 0.5
        for index, one in enumerate(speeds)
        for other in speeds[index + 1 : index + 21]
    )
    return report, moved_at - began, jolt


# On air


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("loss", [0.0, 0.05])
def test_a_move_on_air_lands_on_time_and_jolts_less_than_at_the_usual_steps(seed: int, loss: float) -> None:
    jolts: list[float] = []

    async def scene(rig: Rig) -> None:
        report, seconds, jolt = await jolt_of(rig, Recall("there", THERE, seconds=SECONDS, on_air=True, id="1"))
        assert (report.phase, report.way) == ("settled", "shaped")
        assert report.landing is not None
        assert max(abs(report.landing.pan_counts), abs(report.landing.tilt_counts)) <= 1
        assert seconds == pytest.approx(SECONDS, abs=0.15 if not loss else 0.4)
        jolts.append(jolt)
        assert ("slow mode" in (report.why or "")) == (rig.camera.settings.head.slow is not None)
        await asyncio.sleep(2.0)
        assert not is_slow(rig)

    with_rig(scene, learned=True, seed=seed, loss=loss)
    with_rig(scene, learned=False, seed=seed, loss=loss)
    assert jolts[0] < (1.0 if loss else 0.5) * jolts[1]


def test_slow_mode_is_on_before_the_head_moves_and_until_it_has_stopped() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", THERE, seconds=SECONDS, on_air=True, id="1"))
        while not any(report.phase.ended for report in rig.moves):
            assert is_slow(rig) or not rig.speed()
            await asyncio.sleep(0.005)
        assert not is_slow(rig)
        assert rig.moves[-1].phase == "settled"

    with_rig(scene)


def test_only_in_slow_mode_a_move_can_take_so_long() -> None:
    """5.9 degrees take 5.9 s at the slowest step, 1 degree/s, of the dialect's table."""
    short = framing(300)

    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        report = await rig.recall(Recall("near", short, seconds=15.0, on_air=True, id="1", exactly=True))
        assert report.phase == ("settled" if rig.camera.settings.head.slow else "refused")

    with_rig(scene)
    with_rig(scene, learned=False)


def test_on_a_long_lens_a_learned_slow_mode_can_be_watched_and_an_unlearned_one_is_hinted_at() -> None:
    """At 400 mm the limit is 0.74 degrees/s ("Panning speed best practices", RED 101), step 1 is 1 degree/s."""
    tele = framing(0, 0, 0x4000)

    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("tele", tele, id="0"))
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("near", replace(tele, pan_counts=150), seconds=8.0, on_air=True, id="1", exactly=True))
        refused = rig.moves[-1]
        rig.camera.recall(Recall("near", replace(tele, pan_counts=150), step=1, on_air=True, id="2"))
        warning = rig.moves[-1].warning or ""
        if rig.camera.settings.head.slow is not None:
            assert refused.phase == "accepted"
            assert "even the slowest" not in warning
        else:
            assert refused.phase == "refused"
            assert "learn this head" in (refused.sentence or "")
            assert "even the slowest" in warning
            assert "learn this head" in warning
        rig.camera.stop()

    optics = Optics(Sensor(36.0, 24.0), lens_between(100.0, 400.0, DIALECT.zoom.ratios), 24.0)
    with_rig(scene, optics=optics)
    with_rig(scene, optics=optics, learned=False)


# Whatever breaks off


async def stopped(rig: Rig) -> None:
    rig.camera.stop()


async def locked(rig: Rig) -> None:
    rig.camera.lock(LOCK)
    await asyncio.sleep(0.5)
    rig.camera.unlock(LOCK)


async def cut_off(rig: Rig) -> None:
    rig.link.cut = True
    await rig.end_of("slow")
    await asyncio.sleep(1.0)
    rig.link.cut = False
    await rig.until(lambda: rig.camera.state().link == "up")


async def switched_off_and_on(rig: Rig) -> None:
    rig.simulated.power_cut(asyncio.get_running_loop().time())
    await rig.until(lambda: not rig.simulated.head.starting(asyncio.get_running_loop().time()))
    await rig.until(lambda: rig.camera.state().power == "on")


async def nothing(rig: Rig) -> None:
    pass


@pytest.mark.parametrize("pause", [0.0, 0.3, 3.0])
@pytest.mark.parametrize("loss", [0.0, 0.05])
@pytest.mark.parametrize("breaks", [nothing, stopped, locked, cut_off, switched_off_and_on])
def test_a_direct_recall_after_a_move_that_broke_off_runs_at_full_speed(
    breaks: Callable[[Rig], Coroutine[Any, Any, None]], loss: float, pause: float
) -> None:
    async def scene(rig: Rig) -> None:
        await begin_in_slow_mode(rig)
        await breaks(rig)
        await asyncio.sleep(pause)
        await runs_at_full_speed(rig)

    with_rig(scene, seed=3, loss=loss)


@pytest.mark.parametrize("loss", [0.0, 0.05])
@pytest.mark.parametrize(
    ("pan_counts", "mode"),
    [(500, "slow"), (1250, "usual")],  # 5° and 20° on from the middle of the first move, in 8 s
)
def test_a_newer_move_on_air_takes_over_in_its_own_mode(pan_counts: int, mode: str, loss: float) -> None:
    async def scene(rig: Rig) -> None:
        await begin_in_slow_mode(rig)
        rig.camera.recall(Recall("newer", framing(pan_counts, 100), seconds=SECONDS, on_air=True, id="newer"))
        await asyncio.sleep(SECONDS / 2)
        assert is_slow(rig) == (mode == "slow")
        report = await rig.end_of("newer")
        assert (report.phase, report.way) == ("settled", "shaped")
        assert report.landing is not None and abs(report.landing.pan_counts) <= 1
        await asyncio.sleep(2.0)
        assert not is_slow(rig)

    with_rig(scene, seed=2, loss=loss)


@pytest.mark.parametrize("after", [0.0, 0.005, 0.01, 0.02, 0.03, 0.05, 7.7, 7.8, 7.9, 8.0, 8.1])
def test_a_stop_at_any_moment_leaves_no_slow_mode_behind(after: float) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", THERE, seconds=SECONDS, on_air=True, id="slow"))
        await asyncio.sleep(after)
        rig.camera.stop()
        await asyncio.sleep(0.5)
        assert not rig.speed()
        await asyncio.sleep(2.5)
        assert not rig.speed()
        assert not is_slow(rig)
        await runs_at_full_speed(rig)

    for seed in range(3):
        with_rig(scene, seed=seed)


@pytest.mark.parametrize("ends", [lambda rig: rig.camera.stop(), lambda rig: rig.camera.lock(LOCK)])
def test_a_stop_leaves_before_anything_about_slow_mode(ends: Callable[[Rig], None]) -> None:
    async def scene(rig: Rig) -> None:
        await begin_in_slow_mode(rig)
        sent = sent_by(rig)
        ends(rig)
        at_once = [payload for payload in sent if payload not in {Cancel(1).encode(DIALECT), Cancel(2).encode(DIALECT)}]
        assert at_once[0] == STOP
        assert OFF not in at_once
        await asyncio.sleep(3.0)
        assert OFF in sent
        assert sent.index(OFF) > sent.index(STOP)
        assert not is_slow(rig)

    with_rig(scene)


def test_a_camera_that_lost_count_in_mid_move_is_stopped_rather_than_driven_at_steps_of_another_mode() -> None:
    async def scene(rig: Rig) -> None:
        await begin_in_slow_mode(rig)
        rig.simulated._numbers.reset()
        rig.simulated.head.slow(False)  # as after a restart that forgot it
        await asyncio.sleep(1.0)
        assert rig.speed() == 0.0
        report = rig.moves[-1]
        assert (report.phase, report.code) == ("failed", "restarted")
        await runs_at_full_speed(rig)

    with_rig(scene)


def test_a_hand_on_the_stick_has_the_usual_steps() -> None:
    async def scene(rig: Rig) -> None:
        await begin_in_slow_mode(rig)
        for _ in range(20):
            rig.camera.drive(1.0, 0.0, 0.0, 0.0)
            await asyncio.sleep(0.05)
        assert rig.speed() > 0.9 * FASTEST_DEG_PER_S * 0.8  # after a second of about 120°/s²
        rig.camera.drive(0.0, 0.0, 0.0, 0.0)

    with_rig(scene)


def test_a_daemon_that_ends_leaves_the_camera_as_it_found_it() -> None:
    async def scene(rig: Rig) -> None:
        await begin_in_slow_mode(rig)
        assert await rig.camera.come_to_rest(5.0)
        assert not is_slow(rig)

    with_rig(scene)


# Nobody knows


def test_a_slow_mode_that_somebody_else_left_on_is_turned_off_ahead_of_the_first_move() -> None:
    async def scene(rig: Rig) -> None:
        rig.simulated.head.slow(True)
        await runs_at_full_speed(rig)

    with_rig(scene, learned=False)
    for seed in range(6):
        with_rig(scene, learned=False, loss=0.1, seed=seed)


async def silent_for_a_while(rig: Rig) -> None:
    rig.link.cut = True
    await rig.until(lambda: rig.camera.state().link == "down")
    rig.link.cut = False
    await rig.until(lambda: rig.camera.state().link == "up")


@pytest.mark.parametrize("meanwhile", [silent_for_a_while, switched_off_and_on])
def test_what_was_known_is_known_no_more_after_a_silence_and_after_a_restart(
    meanwhile: Callable[[Rig], Coroutine[Any, Any, None]],
) -> None:
    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("there", THERE, id="1"))
        await meanwhile(rig)
        rig.simulated.head.slow(True)
        await asyncio.sleep(2.0)
        await runs_at_full_speed(rig)

    with_rig(scene, learned=False)


def test_a_mode_known_to_be_off_costs_no_packet_and_a_head_without_one_never_hears_of_it() -> None:
    async def scene(rig: Rig) -> None:
        sent = sent_by(rig)
        await rig.recall(Recall("there", THERE, id="1"))
        rig.camera.set_tally("program")
        await rig.recall(Recall("back", framing(0), seconds=SECONDS, on_air=True, id="2"))
        rig.camera.drive(0.5, 0.0, 0.0, 0.0)
        await asyncio.sleep(1.0)
        assert ON not in sent
        assert sent.count(OFF) == (1 if rig.camera.settings.dialect.slow_mode else 0)

    with_rig(scene, learned=False)
    with_rig(scene, learned=False, dialect_name="nibble4-51")


@pytest.fixture
def knowing_no_slow_mode(monkeypatch: pytest.MonkeyPatch) -> None:
    """All heads are of a family that has a slow mode, but have none."""
    perform = Body.perform

    def refuse(body: Body, command: Any, now: float) -> Any:
        if isinstance(command, SlowModeOn | SlowModeOff):
            raise NotExecuted(ErrorCode.SYNTAX)
        return perform(body, command, now)

    monkeypatch.setattr(Body, "perform", refuse)


@pytest.mark.usefixtures("knowing_no_slow_mode")
def test_a_camera_that_refuses_slow_mode_is_not_driven_and_moves_without_it_from_then_on() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        first = await rig.recall(Recall("there", THERE, seconds=SECONDS, on_air=True, id="1"))
        assert (first.phase, first.code) == ("failed", "slow-mode")
        assert rig.simulated.head.pan_counts(asyncio.get_running_loop().time()) == 0
        await asyncio.sleep(2.0)
        second = await rig.recall(Recall("there", THERE, seconds=SECONDS, on_air=True, id="2"))
        assert (second.phase, second.way) == ("settled", "shaped")
        assert "slow mode" not in (second.why or "")

    with_rig(scene)


# Learning


@pytest.mark.usefixtures("knowing_no_slow_mode")
def test_the_learning_of_a_head_that_has_no_slow_mode_promises_none_of_its_time() -> None:
    async def scene(rig: Rig) -> None:
        loop, said = asyncio.get_running_loop(), list[Progress]()
        began = loop.time()
        found = await rig.camera.learn(LearnLimits((-40.0, 40.0), (-10.0, 30.0)), said.append, random.Random(4))
        assert found.model.slow is None
        looked = [each for each in said if each.promised_seconds is not None]
        assert loop.time() - began == pytest.approx(looked[0].promised_seconds, rel=0.1)
        assert not any("slow mode" in each.doing for each in looked)

    with_rig(scene, learned=False, dialect=FEW_STEPS)


@pytest.mark.parametrize("loss", [0.0, 0.03])
@pytest.mark.parametrize("when", ["slow mode", "speed of step 1 in slow mode", "speed of step 6 in slow mode"])
@pytest.mark.parametrize("breaks", [stopped, locked, switched_off_and_on])
def test_learning_that_breaks_off_in_slow_mode_leaves_none_behind(
    breaks: Callable[[Rig], Coroutine[Any, Any, None]], when: str, loss: float
) -> None:
    async def scene(rig: Rig) -> None:
        reached = asyncio.Event()

        def told(progress: Any) -> None:
            if progress.doing == when:
                reached.set()

        learning = asyncio.create_task(
            rig.camera.learn(LearnLimits((-10.0, 10.0), (-6.0, 6.0)), told, random.Random(4))
        )
        await reached.wait()
        await asyncio.sleep(0.7)
        assert is_slow(rig)
        await breaks(rig)
        with pytest.raises(Refusal):
            await learning
        await runs_at_full_speed(rig)

    with_rig(scene, learned=False, loss=loss, seed=6, dialect=FEW_STEPS)


def test_a_head_learned_by_the_camera_itself_moves_on_air_in_slow_mode() -> None:
    async def scene(rig: Rig) -> None:
        found = await rig.camera.learn(
            LearnLimits((-60.0, 60.0), (-10.0, 30.0)), lambda progress: None, random.Random(2)
        )
        assert found.model.slow is not None
        assert not is_slow(rig)
        await asyncio.sleep(5.0)
        report, seconds, jolt = await jolt_of(rig, Recall("there", THERE, seconds=SECONDS, on_air=True, id="1"))
        assert "slow mode" in (report.why or "")
        assert seconds == pytest.approx(SECONDS, abs=0.15)
        assert jolt < 0.75  # the usual steps would begin with 1°/s at once

    with_rig(scene, learned=False)
