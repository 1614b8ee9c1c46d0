"""A head never moves, or keeps moving, when it must not: whatever is lost, breaks off or comes at the wrong moment."""

from __future__ import annotations

import asyncio
import contextlib
import random
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime

import pytest
from rigs import Rig, framing, with_rig

from ptzd.cameras import CameraState, LearnLimits, Lock, MoveReport, Recall
from ptzd.line import Framing
from ptzd.refusal import Refusal
from ptzd.visca import (
    ErrorCode,
    ErrorReply,
    Packet,
    PanTiltAbsolute,
    PanTiltPositionInquiry,
    PanTiltStop,
    PayloadType,
    PowerOn,
    PowerStandby,
    load_dialect,
)

FAR = framing(-6000, 300, 0x0800)
OTHER = framing(2500, -200, 0x3000, 0x6000)
LOCK = Lock("the rigger", "hands at the head", datetime(2026, 6, 20, tzinfo=UTC))
BRAKING_SECONDS = 1.5  # from 120 degrees/s at 114 degrees/s² or more, and the exchange before it


async def rests(rig: Rig, seconds: float = 6.0) -> None:
    """It stands still now and does not begin to move by itself."""
    assert rig.speed() == 0, "it moves"
    until = asyncio.get_running_loop().time() + seconds
    while asyncio.get_running_loop().time() < until:
        await asyncio.sleep(0.05)
        assert rig.speed() == 0, "it moved by itself"


def losing(rig: Rig, is_lost: Callable[[bytes], bool]) -> Callable[[], None]:
    """Lose what goes to the camera and answers the description; return how to end that."""
    send = rig.link.send

    def lose(datagram: bytes) -> None:
        if not is_lost(Packet.decode(datagram).payload):
            send(datagram)

    rig.link.send = lose  # type: ignore[method-assign]

    def end() -> None:
        rig.link.send = send  # type: ignore[method-assign]

    return end


def is_absolute(payload: bytes) -> bool:
    return payload[:4] == PanTiltAbsolute(0, 0, 1, 1).encode(load_dialect("nibble4-51"))[:4]


def is_drive(payload: bytes) -> bool:
    return payload[:4] == b"\x81\x01\x06\x01"


def is_pan_tilt_stop(payload: bytes) -> bool:
    return payload == PanTiltStop().encode(load_dialect("nibble4-51"))


# A stop, whenever it comes


@pytest.mark.parametrize("after", [0.0, 0.0004, 0.003, 0.012, 0.02, 0.05, 0.3, 2.1, 2.6])
@pytest.mark.parametrize("loss", [0.0, 0.05, 0.3])
def test_a_stop_at_any_moment_of_a_move_is_the_last_word(after: float, loss: float) -> None:
    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        rig.camera.recall(Recall("far", FAR, id="1"))
        await asyncio.sleep(after)
        rig.camera.stop()
        await asyncio.sleep(BRAKING_SECONDS if not loss else 6.0)
        await rests(rig)

    for seed in range(3):
        with_rig(scene, seed=seed, loss=loss)


@pytest.mark.parametrize("after", [0.0, 0.1, 1.0, 3.0, 7.7, 7.9, 8.1])
@pytest.mark.parametrize("loss", [0.0, 0.05, 0.3])
def test_a_stop_at_any_moment_of_a_shaped_move_is_the_last_word(after: float, loss: float) -> None:
    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("far", framing(3000, 200, 0x1000), seconds=8.0, on_air=True, id="1"))
        await asyncio.sleep(after)
        rig.camera.stop()
        await asyncio.sleep(BRAKING_SECONDS if not loss else 6.0)
        await rests(rig)

    with_rig(scene, seed=5, loss=loss)


def test_a_stop_between_two_attempts_of_a_move_ends_it() -> None:
    """The head is turned away twice, so that the order is given anew; the stop comes just before that."""

    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("near", framing(300), id="1"))
        await rig.until(lambda: rig.moves[-1].phase == "settling")
        rig.simulated.head.go_to(asyncio.get_running_loop().time(), 20, 0, 24, 24)
        await asyncio.sleep(0.95)
        rig.camera.stop()
        await asyncio.sleep(BRAKING_SECONDS)
        await rests(rig)
        assert rig.moves[-1].phase in ("stopped", "settled")

    with_rig(scene)


def test_recalls_and_a_stop_in_one_turn_end_with_the_stop() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("far", FAR, id="1"))
        rig.camera.recall(Recall("other", OTHER, id="2"))
        rig.camera.stop()
        rig.camera.stop()
        await asyncio.sleep(BRAKING_SECONDS)
        await rests(rig)
        assert [each.phase.value for each in rig.moves if each.phase.ended] == ["superseded", "stopped"]

    with_rig(scene)


def test_a_lock_while_a_head_is_learned_stops_it_and_it_stays() -> None:
    async def scene(rig: Rig) -> None:
        async with asyncio.TaskGroup() as group:
            learning = group.create_task(learned(rig))
            await asyncio.sleep(20.3)
            assert rig.speed() > 0 or rig.camera.moving
            rig.camera.lock(LOCK)
            await asyncio.sleep(BRAKING_SECONDS)
            await rests(rig, 20)
            assert learning.result() == "stopped"

    with_rig(scene)


async def learned(rig: Rig) -> str:
    try:
        await rig.camera.learn(LearnLimits((-40, 40), (-10, 30)), lambda progress: None, random.Random(1))
    except Refusal as refusal:
        return refusal.code
    return "learned"


def test_a_head_that_is_learned_is_stopped_when_it_goes_on_air() -> None:
    async def scene(rig: Rig) -> None:
        async with asyncio.TaskGroup() as group:
            learning = group.create_task(learned(rig))
            await asyncio.sleep(20.3)
            rig.camera.set_tally("program")
            await asyncio.sleep(BRAKING_SECONDS)
            await rests(rig, 20)
            assert learning.done()

    with_rig(scene)


def state_of(rig: Rig) -> CameraState:
    """The last that the camera has told."""
    return [each for each in rig.said if isinstance(each, CameraState)][-1]


@pytest.mark.parametrize(
    ("then", "said"),
    [
        ("stop", "camera gallery was stopped; nothing was learned"),
        ("lock", "camera gallery was locked; nothing was learned"),
        ("drive", "camera gallery was driven by hand; nothing was learned"),
        ("recall", "camera gallery was sent to far; nothing was learned"),
        ("tally", "camera gallery went on air; nothing was learned"),
    ],
)
def test_whoever_learns_a_head_is_told_what_ended_it_and_the_state_tells_that_it_is_learned(
    then: str, said: str
) -> None:
    async def scene(rig: Rig) -> None:
        limits = LearnLimits((-40, 40), (-10, 30))
        learning = asyncio.create_task(rig.camera.learn(limits, lambda progress: None, random.Random(1)))
        await asyncio.sleep(0.001)
        assert (state_of(rig).activity, state_of(rig).phase) == ("learning", "idle")
        await asyncio.sleep(20.3)
        assert state_of(rig).activity == "learning"
        match then:
            case "stop":
                rig.camera.stop()
                rig.camera.lock(LOCK)  # it is the first that counts
            case "lock":
                rig.camera.lock(LOCK)
            case "drive":
                rig.camera.drive(0.1, 0, 0, 0)
            case "recall":
                rig.camera.recall(Recall("far", FAR, id="1"))
            case "tally":
                rig.camera.set_tally("program")
        with pytest.raises(Refusal) as refusal:
            await learning
        assert (refusal.value.code, refusal.value.sentence) == ("stopped", said)
        assert state_of(rig).activity != "learning"

    with_rig(scene)


# Switched off and on by somebody else, so fast that it answers all the while


@pytest.mark.parametrize("doing", ["learned", "driven", "stopped", "rests"])
@pytest.mark.parametrize("off_seconds", [0.05, 0.3])
def test_a_camera_that_sweeps_is_not_said_to_be_on_nor_to_disobey(doing: str, off_seconds: float) -> None:
    async def scene(rig: Rig) -> None:
        now, simulated = asyncio.get_running_loop().time, rig.simulated
        learning = asyncio.ensure_future(learned(rig)) if doing == "learned" else None
        await asyncio.sleep(20.0)
        if doing in ("driven", "stopped"):
            rig.camera.drive(0.9, 0.1, 0.0, 0.0)
            await asyncio.sleep(0.4)
        if doing == "stopped":
            rig.camera.stop()
        simulated.moved_by_another(PowerStandby(), now())
        await asyncio.sleep(off_seconds)
        simulated.moved_by_another(PowerOn(), now())
        await asyncio.sleep(1.5)  # in which it is found out
        while simulated.head.starting(now()):
            state = rig.camera.state()
            assert (state.power, [fault for fault in state.faults if "told" in fault]) == ("starting", [])
            await asyncio.sleep(0.05)
        await asyncio.sleep(3.0)
        assert (rig.camera.state().power, rig.camera.state().activity) == ("on", "at-rest")
        assert learning is None or learning.result() != "learned"

    with_rig(scene)


# Falling silent


def test_a_stop_that_was_asked_for_while_the_camera_was_silent_is_what_it_hears_first() -> None:
    async def scene(rig: Rig, after: float) -> None:
        rig.camera.recall(Recall("far", FAR, step=4, id="1"))
        await asyncio.sleep(0.5)
        rig.link.cut = True
        await rig.end_of("1")
        assert rig.speed() > 0
        await asyncio.sleep(after)
        rig.camera.stop()
        rig.link.cut = False
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        await asyncio.sleep(0.6)
        assert rig.speed() == 0
        await rests(rig)

    for tenth in range(0, 40, 3):
        with_rig(lambda rig, after=tenth / 10: scene(rig, after))  # type: ignore[misc]


def test_a_stop_that_is_pending_when_the_conversation_begins_anew_is_not_forgotten() -> None:
    async def scene(rig: Rig, back: float) -> None:
        rig.camera.recall(Recall("far", FAR, step=4, id="1"))
        await asyncio.sleep(0.5)
        rig.link.cut = True
        await rig.end_of("1")
        await asyncio.sleep(0.2)
        rig.camera.stop()
        await asyncio.sleep(back)
        rig.link.cut = False
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        await asyncio.sleep(0.6)
        assert rig.speed() == 0

    for tenth in range(0, 40, 3):
        with_rig(lambda rig, back=tenth / 10: scene(rig, back))  # type: ignore[misc]


def test_a_landing_that_never_reached_the_camera_leaves_no_head_driving() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(4000), seconds=10.0, on_air=True, id="1"))
        landing_sent = []

        def lost(payload: bytes) -> bool:
            if is_absolute(payload):
                landing_sent.append(payload)
            return bool(landing_sent)

        heal = losing(rig, lost)
        report = await rig.end_of("1")
        assert report.code == "unreachable"
        heal()
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        assert abs(rig.simulated.head.pan_counts(asyncio.get_running_loop().time())) < 6000

    with_rig(scene)


def test_a_recall_that_takes_over_a_drive_and_gets_lost_leaves_no_head_driving() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.link.cut = True
        rig.camera.recall(Recall("far", FAR, id="1"))
        assert (await rig.end_of("1")).code == "unreachable"
        rig.link.cut = False
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        await asyncio.sleep(0.8)
        assert rig.speed() == 0

    with_rig(scene)


def test_a_drive_whose_camera_falls_silent_ends_as_soon_as_it_hears_again() -> None:
    async def scene(rig: Rig, back: float) -> None:
        rig.camera.drive(0.05, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.link.cut = True
        await asyncio.sleep(back)
        rig.link.cut = False
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        await asyncio.sleep(2.0)
        assert rig.speed() == 0

    for tenth in range(1, 70, 6):
        with_rig(lambda rig, back=tenth / 10: scene(rig, back))  # type: ignore[misc]


def test_a_conversation_that_breaks_off_in_mid_drive_begins_anew_with_a_stop() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.link.cut = True  # otherwise it would be stopped at once
        rig.run.cancel()
        await asyncio.sleep(0.1)
        assert rig.speed() > 1
        assert rig.camera.state().link == "down", "nobody hears it"
        rig.link.cut = False
        rig.run = asyncio.create_task(rig.camera.run())
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        rig.run.cancel()

    with_rig(scene)


def test_a_stop_while_the_conversation_is_broken_off_is_not_forgotten() -> None:
    async def scene(rig: Rig) -> None:
        end = losing(rig, is_pan_tilt_stop)
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.camera.stop()
        await asyncio.sleep(0.02)
        rig.run.cancel()
        await asyncio.sleep(0.1)
        end()
        rig.run = asyncio.create_task(rig.camera.run())
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        rig.run.cancel()

    with_rig(scene)


# Driving by hand


@pytest.mark.parametrize("seed", range(8))
def test_a_stick_that_is_back_in_its_middle_stops_the_head_while_another_axis_goes_on(seed: int) -> None:
    """The stop of the head must be repeated if it is lost, however often the zoom is told something new."""

    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        for _ in range(5):
            rig.camera.drive(0.4, 0, 0, 0)
            await asyncio.sleep(0.1)
        end = losing(rig, is_pan_tilt_stop)
        rig.camera.drive(0, 0, 0.9, 0)
        await asyncio.sleep(0.06)
        end()
        for turn in range(40):
            rig.camera.drive(0, 0, 0.3 + 0.15 * (turn % 5), 0)
            await asyncio.sleep(0.1)
        assert rig.speed() == 0

    with_rig(scene, seed=seed)


def test_a_drive_that_is_no_number_changes_nothing_and_the_one_before_ends_in_time() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        for wrong in (float("nan"), float("inf"), 7.0):
            with pytest.raises((ValueError, OverflowError)):
                rig.camera.drive(wrong, 0, 0, 0)
        await asyncio.sleep(0.5 + BRAKING_SECONDS)
        await rests(rig)

    with_rig(scene)


def test_a_lock_ends_a_drive_and_its_timer() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.2)
        rig.camera.lock(LOCK)
        rig.camera.unlock(LOCK)
        rig.camera.recall(Recall("other", OTHER, id="1"))
        assert (await rig.end_of("1")).phase == "settled", "the timer of the drive does not stop a later move"

    with_rig(scene)


# A move on air takes over what goes on


async def moves_on_air_to(rig: Rig, there: Framing, seconds: float) -> None:
    rig.camera.set_tally("program")
    rig.camera.recall(Recall("there", there, seconds=seconds, on_air=True, id="there"))
    assert rig.moves[-1].phase == "accepted"
    assert rig.moves[-1].way == "shaped"


def here(rig: Rig, pan_counts: int = 0, zoom_counts: int | None = None) -> Framing:
    """Where it is, but for what the zoom is to be and what is added to pan."""
    last = rig.camera.state().framing
    assert last is not None
    zoom = last.zoom_counts if zoom_counts is None else zoom_counts
    return framing(last.pan_counts + pan_counts, last.tilt_counts, zoom)


@pytest.mark.parametrize("pan_counts", [0, 20])  # nothing to do for the head, or 0.4°, which takes part of the 10 s
@pytest.mark.parametrize("loss", [0.0, 0.1])
def test_a_drive_ends_when_a_move_on_air_takes_over_in_which_the_head_sets_out_late(
    pan_counts: int, loss: float
) -> None:
    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        for _ in range(3):
            rig.camera.drive(0.3, 0, 0, 0)
            await asyncio.sleep(0.1)
        await moves_on_air_to(rig, here(rig, pan_counts, 0x2000), 10.0)
        await asyncio.sleep(0.3 if not loss else 2.0)
        await rests(rig, 4.0)
        assert (await rig.end_of("there")).phase == "settled"

    with_rig(scene, loss=loss)


def test_a_zoom_that_is_driven_by_hand_stops_when_a_move_on_air_takes_over_that_does_not_zoom() -> None:
    async def scene(rig: Rig) -> None:
        for _ in range(5):
            rig.camera.drive(0, 0, 0.2, 0)
            await asyncio.sleep(0.1)
        await moves_on_air_to(rig, here(rig, 1000), 10.0)
        await asyncio.sleep(0.3)
        began = rig.simulated.lens.zoom_counts(asyncio.get_running_loop().time())
        await asyncio.sleep(5.0)
        assert rig.simulated.lens.zoom_counts(asyncio.get_running_loop().time()) == began

    with_rig(scene)


def test_a_move_on_air_ends_when_a_newer_one_takes_over_in_which_the_head_does_nothing() -> None:
    async def scene(rig: Rig) -> None:
        await moves_on_air_to(rig, framing(4000, 300), 10.0)
        await asyncio.sleep(4.0)
        assert rig.speed() > 5.0
        await moves_on_air_to(rig, here(rig, 0, 0x2000), 10.0)
        await asyncio.sleep(0.5)
        await rests(rig, 4.0)

    with_rig(scene)


def test_a_stop_that_was_lost_is_not_forgotten_for_a_move_on_air_in_which_the_head_sets_out_late() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        end = losing(rig, is_pan_tilt_stop)
        rig.camera.stop()
        await asyncio.sleep(0.01)
        end()
        await moves_on_air_to(rig, here(rig, 0, 0x2000), 10.0)
        await asyncio.sleep(0.5)
        await rests(rig, 4.0)

    with_rig(scene)


def test_a_move_that_somebody_else_takes_over_is_left_to_them_and_not_stopped() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, strange_motion="report")
        rig.camera.recall(Recall("far", FAR, id="1"))
        await asyncio.sleep(0.8)
        assert rig.speed() > 0
        theirs = PanTiltAbsolute(-1000, 200, 12, 12)
        rig.simulated.moved_by_another(theirs, asyncio.get_running_loop().time())
        ended = await rig.end_of("1")
        assert (ended.phase, ended.code) == ("failed", "taken-over")
        assert "perhaps another ptzd that has lost its broker" in (ended.sentence or "")
        await rig.until(lambda: rig.speed() == 0, 60.0)
        pan, tilt = rig.simulated.head.pan_counts(1e6), rig.simulated.head.tilt_counts(1e6)
        assert (round(pan), round(tilt)) == (-1000, 200), "where they sent it"

    with_rig(scene)


# What a camera refuses


def refusing(rig: Rig, is_refused: Callable[[bytes], bool], code: ErrorCode) -> None:
    """Let the camera refuse what answers the description, as if in a menu."""
    send, receive = rig.link.send, rig.link.receive
    swallowed: dict[int, bytes] = {}

    def through(datagram: bytes) -> None:
        packet = Packet.decode(datagram)
        if is_refused(packet.payload):
            swallowed[packet.sequence] = ErrorReply(0, code).encode()
            # The camera counts the number all the same: something harmless goes in its place.
            send(Packet(PayloadType.INQUIRY, packet.sequence, b"\x81\x09\x04\x00\xff").encode())
        else:
            send(datagram)

    async def back() -> bytes:
        datagram = await receive()
        packet = Packet.decode(datagram)
        if packet.sequence in swallowed:
            return Packet(PayloadType.REPLY, packet.sequence, swallowed.pop(packet.sequence)).encode()
        return datagram

    rig.link.send = through  # type: ignore[method-assign]
    rig.link.receive = back  # type: ignore[method-assign]


@pytest.mark.parametrize("code", [ErrorCode.SYNTAX, ErrorCode.NOT_EXECUTABLE])
def test_a_landing_that_is_refused_leaves_no_head_driving(code: ErrorCode) -> None:
    async def scene(rig: Rig) -> None:
        refusing(rig, is_absolute, code)
        await asyncio.sleep(2.5)  # so that its next question is heard through the new link
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(4000), seconds=10.0, on_air=True, id="1"))
        assert (await rig.end_of("1")).phase == "failed"
        await asyncio.sleep(BRAKING_SECONDS)
        assert rig.speed() == 0

    with_rig(scene)


@pytest.mark.parametrize("code", [ErrorCode.SYNTAX, ErrorCode.NOT_EXECUTABLE])
def test_a_recall_that_takes_over_a_drive_and_is_refused_leaves_no_head_driving(code: ErrorCode) -> None:
    async def scene(rig: Rig) -> None:
        refusing(rig, is_absolute, code)
        await asyncio.sleep(2.5)
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.camera.recall(Recall("far", FAR, id="1"))
        assert (await rig.end_of("1")).phase == "failed"
        await asyncio.sleep(BRAKING_SECONDS)
        assert rig.speed() == 0

    with_rig(scene)


def test_a_framing_that_its_message_cannot_carry_moves_nothing() -> None:
    async def scene(rig: Rig) -> None:
        for wrong in (framing(1000, 0, 0, 0x12345), framing(1000, 0, 0x12345)):
            rig.camera.recall(Recall("wrong", wrong, id="1"))
            assert rig.moves[-1].phase == "refused"
        await rests(rig, 1)

    with_rig(scene)


@pytest.mark.parametrize("seconds", [4.0, 8.0, 20.0])
def test_a_slow_landing_on_air_is_left_to_come_to_its_end(seconds: float) -> None:
    """A head known exactly is sent to its target at once where its slowest step, 1°/s, fits the time."""

    async def scene(rig: Rig) -> None:
        settings = rig.camera.settings
        rig.camera.settings = replace(
            settings, head=replace(settings.head, spread=replace(settings.head.spread, speed=0.0))
        )
        await moves_on_air_to(rig, framing(round((seconds - 0.1) * 51.2)), seconds)
        while not rig.moves[-1].phase.ended:
            assert rig.speed() < 1.2
            await asyncio.sleep(0.02)
        assert rig.moves[-1].phase == "settled"

    for seed in range(4):
        with_rig(scene, seed=seed)


# What holds a head on its way


@pytest.mark.parametrize("axis", ["pan", "tilt"])
@pytest.mark.parametrize("dialect_name", ["nibble4-51", "shared4-51"])
@pytest.mark.parametrize("loss", [0.0, 0.1])
def test_a_head_that_is_held_in_a_move_on_air_is_stopped_and_not_driven_on(
    axis: str, dialect_name: str, loss: float
) -> None:
    """Something is in the way at half of it: 39° of pan, or 20° of tilt."""

    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        if axis == "pan":
            rig.simulated.head.limit_up_right(39.0, 90.0)
        else:
            rig.simulated.head.limit_up_right(170.0, 20.0)
        await moves_on_air_to(rig, framing(4000, 2000), 30.0)
        await asyncio.sleep(20.0)
        sent: list[bytes] = []

        def noted(payload: bytes) -> bool:
            sent.append(payload)
            return False

        losing(rig, noted)
        assert rig.moves[-1].phase == "failed", "5 s after it came up against it, and 10 s before the move was to end"
        assert rig.moves[-1].code == "held"
        await rests(rig, 20.0)
        assert all(payload[1] == 0x09 for payload in sent), "nothing but questions"

    with_rig(scene, dialect_name=dialect_name, loss=loss)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("pan_counts", "seconds", "pushed_at"),
    [(4100, 8.0, 4.0), (5400, 30.0, 20.0)],  # at 15 and at 4.5 degrees/s for the most part
)
def test_a_head_that_is_pushed_back_in_a_move_on_air_does_not_race_to_make_up_for_it(
    seed: int, pan_counts: int, seconds: float, pushed_at: float
) -> None:
    """Whoever pushed it by 30° has his hands there, and those who watch expect the speed that it had."""

    async def scene(rig: Rig) -> None:
        head, loop = rig.simulated.head, asyncio.get_running_loop()
        await moves_on_air_to(rig, framing(pan_counts), seconds)
        await asyncio.sleep(pushed_at)
        planned = rig.speed()
        head._pan.axis.place(head.pan_deg(loop.time()) - 30.0)
        head._pan.axis.go(loop.time(), 170.0, planned)
        fastest = 0.0
        while not rig.moves[-1].phase.ended:
            fastest = max(fastest, rig.speed())
            await asyncio.sleep(0.02)
        assert fastest < 1.8 * planned  # one step of the table may be as much faster
        await rests(rig)

    with_rig(scene, seed=seed)


def test_a_zoom_that_is_held_in_a_move_on_air_is_driven_no_longer_than_is_reasonable() -> None:
    async def scene(rig: Rig) -> None:
        rig.simulated.lens.zoom.most = 0x1000
        await moves_on_air_to(rig, framing(0, 0, 0x2000), 10.0)
        assert (await rig.end_of("there", 60.0)).phase == "failed"

    with_rig(scene)


def test_a_camera_that_refuses_to_be_driven_ends_a_move_on_air() -> None:
    """As while its menu is shown."""

    async def scene(rig: Rig) -> None:
        refusing(rig, is_drive, ErrorCode.NOT_EXECUTABLE)
        await asyncio.sleep(2.5)  # so that its next question is heard through the new link
        await moves_on_air_to(rig, framing(3000, 200), 8.0)
        report = await rig.end_of("there", 60.0)
        assert report.phase.ended
        await asyncio.sleep(BRAKING_SECONDS)
        await rests(rig)

    with_rig(scene)


@pytest.mark.parametrize(("refused", "phase"), [(2, "settled"), (3, "failed")])
def test_a_move_on_air_goes_on_when_two_questions_where_the_head_is_are_refused_and_not_after_three(
    refused: int, phase: str
) -> None:
    async def scene(rig: Rig) -> None:
        left = 0

        def is_refused(payload: bytes) -> bool:
            nonlocal left
            asks = left > 0 and payload == PanTiltPositionInquiry().encode(load_dialect("nibble4-51"))
            left -= asks
            return asks

        refusing(rig, is_refused, ErrorCode.NOT_EXECUTABLE)
        await asyncio.sleep(2.5)
        await moves_on_air_to(rig, framing(3000), 10.0)
        await asyncio.sleep(3.0)
        left = refused
        assert (await rig.end_of("there")).phase == phase
        await asyncio.sleep(BRAKING_SECONDS)
        assert rig.speed() == 0

    with_rig(scene)


def test_a_move_on_air_ends_soon_when_its_camera_is_put_into_standby_and_that_is_told() -> None:
    async def scene(rig: Rig) -> None:
        await moves_on_air_to(rig, framing(3000, 200), 20.0)
        await asyncio.sleep(3.0)
        rig.simulated.moved_by_another(PowerStandby(), asyncio.get_running_loop().time())
        await asyncio.sleep(1.5)
        assert rig.camera.state().power == "standby"
        assert (rig.moves[-1].phase, rig.moves[-1].code) == ("failed", "standby")
        await rests(rig)

    with_rig(scene)


# Mistakes of ours in those who listen


@pytest.mark.parametrize("then", ["stop", "drive", "recall", "lock"])
def test_a_listener_that_fails_does_not_keep_a_head_moving(then: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ptzd.cameras.voice.log.exception", lambda *_, **__: None)

    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("far", FAR, id="1"))
        await asyncio.sleep(0.6)

        def fails(report: CameraState | MoveReport) -> None:
            raise ZeroDivisionError

        rig.camera._voice._report = fails
        try:
            match then:
                case "stop":
                    rig.camera.stop()
                case "lock":
                    rig.camera.lock(LOCK)
                case "drive":
                    rig.camera.drive(0.3, 0, 0, 0)
                case "recall":
                    rig.camera.recall(Recall("here", framing(0), id="2"))
        except ZeroDivisionError:
            pass
        await asyncio.sleep(6)
        assert rig.speed() == 0
        if then in ("stop", "lock"):
            assert rig.simulated.head.pan_counts(asyncio.get_running_loop().time()) > -5900

    with_rig(scene)


# Ending


@pytest.mark.parametrize("doing", ["recall", "shaped", "drive", "learn"])
@pytest.mark.parametrize("loss", [0.0, 0.05])
def test_a_daemon_that_ends_leaves_the_head_at_rest(doing: str, loss: float) -> None:
    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        asking = None
        match doing:
            case "recall":
                rig.camera.recall(Recall("far", FAR, id="1"))
            case "shaped":
                rig.camera.set_tally("program")
                rig.camera.recall(Recall("there", framing(3000), seconds=8.0, on_air=True, id="1"))
            case "drive":
                rig.camera.drive(0.5, 0.2, 0, 0)
            case "learn":
                asking = asyncio.create_task(learned(rig))
        await asyncio.sleep({"learn": 15.0, "shaped": 3.0}.get(doing, 0.45))
        if asking is not None:
            asking.cancel()
        await rig.camera.come_to_rest(3.5)
        await rests(rig)

    for seed in range(4):
        with_rig(scene, seed=seed, loss=loss)


def test_a_conversation_that_begins_anew_repeats_what_is_lost() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.run.cancel()
        await asyncio.sleep(0.1)
        rig.link.cut = True
        rig.run = asyncio.create_task(rig.camera.run())
        await asyncio.sleep(0.05)
        rig.link.cut = False
        await asyncio.sleep(1.5)
        assert rig.speed() == 0
        assert rig.camera.state().link == "up"
        rig.run.cancel()

    with_rig(scene)


@pytest.mark.parametrize("doing", ["recall", "shaped", "drive"])
def test_a_camera_that_restarts_while_it_is_stopped_does_not_move_after_its_start_up(doing: str) -> None:
    async def scene(rig: Rig) -> None:
        match doing:
            case "recall":
                rig.camera.recall(Recall("far", FAR, id="1"))
            case "shaped":
                rig.camera.set_tally("program")
                rig.camera.recall(Recall("there", framing(3000), seconds=8.0, on_air=True, id="1"))
            case "drive":
                rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.4)
        rig.simulated.power_cut(asyncio.get_running_loop().time())
        rig.camera.stop()
        head = rig.simulated.head
        await rig.until(lambda: rig.camera.state().power != "on", 60)
        await rig.until(lambda: rig.camera.state().power == "on", 120)
        await asyncio.sleep(0.5)
        assert not head.starting(asyncio.get_running_loop().time())
        await rests(rig, 10)

    with_rig(scene)


@pytest.mark.parametrize("seed", range(6))
def test_a_recall_right_after_a_stop_and_a_stop_right_after_that_end_at_rest(seed: int) -> None:
    """Presses in quick succession, on a bad network; the last of them is a stop."""

    async def scene(rig: Rig) -> None:
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        presses = random.Random(seed)
        for _ in range(25):
            match presses.choice(["far", "other", "drive", "stop", "lock"]):
                case "far":
                    rig.camera.recall(Recall("far", FAR))
                case "other":
                    rig.camera.recall(Recall("other", OTHER))
                case "drive":
                    with contextlib.suppress(Refusal):  # it does not answer at the moment
                        rig.camera.drive(presses.uniform(-1, 1), presses.uniform(-1, 1), presses.uniform(-1, 1), 0)
                case "stop":
                    rig.camera.stop()
                case "lock":
                    rig.camera.lock(LOCK)
                    rig.camera.unlock(LOCK)
            await asyncio.sleep(presses.choice([0.0, 0.002, 0.03, 0.2, 0.6]))
        rig.camera.stop()
        await asyncio.sleep(20)
        await rig.until(lambda: rig.camera.state().link == "up", 60)
        await asyncio.sleep(1)
        await rests(rig, 10)

    for loss in (0.05, 0.3):
        with_rig(scene, seed=seed, loss=loss)
