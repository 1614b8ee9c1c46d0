"""A camera is at rest when its own readings say so, and not before; what moves it without an order is ended."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any

import pytest
from ptzsim import virtual_time
from ptzsim.habits import Habits
from rigs import Rig, framing, rigged, with_rig

from ptzd.cameras import CameraState, Lock, Recall, Window
from ptzd.motion import Renewal
from ptzd.refusal import Refusal
from ptzd.visca import (
    ErrorCode,
    ErrorReply,
    Packet,
    PanTiltDrive,
    PanTiltRelative,
    PanTiltStop,
    PayloadType,
    PowerStandby,
    ZoomTele,
    load_dialect,
)

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")

LOCK = Lock("the rigger", "hands at the head", datetime(2026, 6, 20, tzinfo=UTC))
STOP = PanTiltStop().encode(load_dialect("nibble4-51"))
SLOWLY = PanTiltDrive(8, 8, 1, 0)  # 3 degrees/s


class WatchingGuard:
    """A guard that notes what it is told."""

    def __init__(self) -> None:
        self.watches = True
        self.terms: list[tuple[float, float]] = []  # when it was told, and for how long the camera may go on

    def renew(self, camera: str, seconds: float) -> None:
        self.terms.append((asyncio.get_running_loop().time(), seconds))


def now() -> float:
    return asyncio.get_running_loop().time()


def sent_stops(rig: Rig) -> list[float]:
    """The moments at which stops of the head leave, from now on."""
    send, times = rig.link.send, []

    def note(datagram: bytes) -> None:
        packet = Packet.decode(datagram)
        if packet.payload_type is PayloadType.COMMAND and packet.payload == STOP:
            times.append(now())
        send(datagram)

    rig.link.send = note  # type: ignore[method-assign]
    return times


def activities(rig: Rig) -> list[str | None]:
    said = [state.activity for state in rig.said if isinstance(state, CameraState)]
    return [one for one, before in zip(said, [None, *said], strict=False) if one != before]


# Stops that are refused, confirmed and not obeyed, or lost


@pytest.mark.parametrize("seconds", [0.2, 2.0, 10.0])
def test_a_stop_that_is_refused_is_given_again_until_the_head_stands(seconds: float) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.simulated.refuses_stops_until = now() + seconds
        stops, began = sent_stops(rig), now()
        rig.camera.stop()
        await rig.until(lambda: not rig.camera.moving)
        assert rig.speed() == 0
        assert now() - began < seconds + 1.0
        assert all(0.04 < later - earlier < 0.55 for earlier, later in pairwise(stops))

    with_rig(scene)


def test_a_stop_that_is_asked_for_again_leaves_at_once_unless_one_is_under_way() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.simulated.ignores_stops_until = now() + 3.0
        stops = sent_stops(rig)
        rig.camera.stop()
        rig.camera.stop()
        assert len(stops) == 1
        await asyncio.sleep(0.15)  # it is confirmed by then, and not yet due to be given again
        assert len(stops) == 1
        rig.camera.stop()
        assert len(stops) == 2

    with_rig(scene)


@pytest.mark.parametrize("delay_seconds", [0.005, 0.01, 0.0125, 0.02, 0.04, 0.075])
def test_a_camera_that_answers_late_is_seen_at_rest_every_time(delay_seconds: float) -> None:
    async def scene(rig: Rig) -> None:
        for _ in range(20):
            rig.camera.drive(0.3, 0, 0, 0)
            await asyncio.sleep(0.3)
            assert await rig.camera.come_to_rest(3.5)
            assert rig.speed() == 0
            rig.camera.drive(0, 0, 0, 0)  # who pushes anew has let go first
            await asyncio.sleep(0.5)

    with_rig(scene, delay_seconds=delay_seconds)


@pytest.mark.parametrize(
    ("stops", "told"),
    [("ignores_stops_until", "its readings still change"), ("refuses_stops_until", "it refuses to stop")],
)
def test_a_head_that_confirms_or_refuses_a_stop_and_drives_on_is_not_at_rest_and_that_is_told(
    stops: str, told: str
) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        setattr(rig.simulated, stops, now() + 5.0)
        rig.camera.stop()
        await asyncio.sleep(1.5)
        state = rig.camera.state()
        assert (state.activity, state.position) == ("halting", None)
        assert any(told in fault for fault in state.faults)
        with pytest.raises(Refusal, match="being stopped"):
            rig.camera.drive(0.2, 0, 0, 0)
        await asyncio.sleep(5.0)
        assert rig.speed() == 0
        assert (rig.camera.state().activity, rig.camera.state().faults) == ("at-rest", ())

    with_rig(scene)


@pytest.mark.parametrize("mount", ["tripod", "balcony-rail", "truss"])
@pytest.mark.parametrize("later", [0.0, 0.05, 0.1, 0.15, 0.2, 0.25])
def test_a_head_that_brakes_from_full_speed_is_told_as_halting_and_as_no_fault(mount: str, later: float) -> None:
    async def scene(rig: Rig) -> None:
        await asyncio.sleep(later)
        rig.camera.drive(1.0, 0, 0, 0)
        await asyncio.sleep(0.45)
        rig.camera.drive(1.0, 0, 0, 0)
        await asyncio.sleep(0.45)
        rig.forget()
        rig.camera.stop()
        while rig.camera.moving:
            assert rig.camera.state().faults == ()
            await asyncio.sleep(0.02)
        assert rig.speed() == 0
        assert activities(rig) == ["halting", "at-rest"]

    with_rig(scene, mount=mount)


@pytest.mark.parametrize("sockets", [1, 2, 3])
@pytest.mark.parametrize("stop_seconds", [0.02, 0.07, 0.1])
def test_stops_that_take_a_head_its_time_do_not_cancel_each_other(sockets: int, stop_seconds: float) -> None:
    async def scene(rig: Rig) -> None:
        for _ in range(3):
            rig.camera.drive(0.3, 0.2, 0.5, 0)
            await asyncio.sleep(0.2)
            rig.camera.stop()
            rig.camera.stop()
            await asyncio.sleep(0.9)
            assert rig.speed() == 0
            assert not rig.simulated.lens.zoom.moving(now())
            await asyncio.sleep(0.7)  # then a push is a new one

    for seed in range(4):
        with_rig(scene, seed=seed, habits=Habits(sockets=sockets, stop_seconds=stop_seconds))


@pytest.mark.parametrize("seconds", [5.0, 25.0, 40.0])
def test_a_head_whose_network_was_away_in_a_drive_is_stopped_within_a_second_of_its_return(seconds: float) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.02, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.link.cut = True
        await asyncio.sleep(seconds)
        rig.link.cut = False
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        await rig.until(lambda: not rig.camera.moving, 2.0)

    with_rig(scene)


def test_a_camera_that_is_switched_off_while_it_is_told_to_stop_is_not_told_for_ever() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        rig.simulated.moved_by_another(PowerStandby(), now())
        rig.camera.stop()
        await rig.until(lambda: not rig.camera.moving, 3.0)
        stops = sent_stops(rig)
        await asyncio.sleep(3.0)
        assert (rig.camera.state().power, rig.camera.state().faults, stops) == ("standby", (), [])

    with_rig(scene)


# Motion without an order


@pytest.mark.parametrize("locked", [False, True])
@pytest.mark.parametrize("loss", [0.0, 0.1])
def test_a_head_at_rest_that_somebody_else_moves_is_stopped_within_a_second_and_that_is_told(
    locked: bool, loss: float
) -> None:
    async def scene(rig: Rig) -> None:
        if locked:
            rig.camera.lock(LOCK)
            await rig.until(lambda: not rig.camera.moving)
        await asyncio.sleep(3.1)
        rig.simulated.moved_by_another(SLOWLY, now())
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        assert any("moved though nobody here had ordered it" in fault for fault in rig.camera.state().faults)
        await rig.until(lambda: not rig.camera.moving)
        assert any("moved though nobody here had ordered it" in fault for fault in rig.camera.state().faults)
        if not locked:
            rig.camera.recall(Recall("there", framing(300), id="1"))
            assert (await rig.end_of("1")).phase == "settled"
            assert rig.camera.state().faults == ()

    for seed in range(12):
        with_rig(scene, seed=seed, loss=loss)


@pytest.mark.parametrize("axis", ["pan", "tilt"])
@pytest.mark.parametrize(("dialect_name", "swing", "farther"), [("nibble4-51", 4, 9), ("nibble4-14", 2, 4)])
def test_what_may_be_a_swing_or_a_wavering_reading_is_not_taken_for_motion(
    dialect_name: str, swing: int, farther: int, axis: str
) -> None:
    """A tenth of a degree, 5.1 counts of the one head; two counts, though they are more than that of the other."""

    async def moved(rig: Rig, counts: int) -> bool:
        pan, tilt = (counts, 0) if axis == "pan" else (0, counts)
        rig.simulated.moved_by_another(PanTiltRelative(pan, tilt, 1, 1), now())
        await asyncio.sleep(2.0)
        return bool(rig.camera.state().faults)

    async def scene(rig: Rig) -> None:
        await asyncio.sleep(3.1)
        assert not await moved(rig, swing)
        assert await moved(rig, farther)

    with_rig(scene, dialect_name=dialect_name)


def test_a_zoom_that_somebody_else_drives_is_stopped_too() -> None:
    async def scene(rig: Rig) -> None:
        await asyncio.sleep(3.1)
        rig.simulated.moved_by_another(ZoomTele(0), now())
        await asyncio.sleep(1.0)
        assert not rig.simulated.lens.zoom.moving(now())

    for seed in range(4):
        with_rig(scene, seed=seed)


@pytest.mark.parametrize("loss", [0.0, 0.1])
def test_a_head_that_moves_at_the_first_contact_is_stopped_and_told(loss: float) -> None:
    async def scene(rig: Rig) -> None:
        rig.run.cancel()
        await asyncio.sleep(0.1)
        rig.simulated.moved_by_another(SLOWLY, now())
        rig.run = asyncio.create_task(rig.camera.run())
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        assert any("moved though nobody here had ordered it" in fault for fault in rig.camera.state().faults)
        rig.run.cancel()

    for seed in range(12):
        with_rig(scene, seed=seed, loss=loss)


def test_a_head_that_others_may_move_is_told_of_and_left_alone_but_not_while_it_is_locked() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.settings = replace(rig.camera.settings, strange_motion="report")
        rig.simulated.moved_by_another(SLOWLY, now())
        await asyncio.sleep(2.0)
        assert rig.speed() > 2.0
        assert any("moved though nobody here had ordered it" in fault for fault in rig.camera.state().faults)
        rig.camera.lock(LOCK)
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        rig.simulated.moved_by_another(SLOWLY, now())
        await asyncio.sleep(1.2)
        assert rig.speed() == 0

    with_rig(scene)


@pytest.mark.parametrize("mount", ["tripod", "truss"])
@pytest.mark.parametrize("seed", range(1, 7))
def test_a_head_that_finds_its_ends_after_a_restart_is_not_taken_for_one_that_strays(seed: int, mount: str) -> None:
    """Nor when it brakes for the last time, nor while its mount swings after that."""

    async def scene(rig: Rig) -> None:
        stops = sent_stops(rig)
        rig.simulated.power_cut(now())
        await asyncio.sleep(5.0)
        assert rig.camera.state().power == "starting"
        await rig.until(lambda: rig.camera.state().activity == "at-rest")
        await asyncio.sleep(3.0)
        assert not stops
        assert rig.camera.state().faults == ()

    with_rig(scene, seed=seed, mount=mount)


def test_a_head_that_brakes_from_its_fastest_is_not_said_to_go_on() -> None:
    """From 120 degrees/s at 114 degrees/s² or more (a unit of the simulator's, up to 5 % off) it takes 1.05 s."""

    async def scene(rig: Rig) -> None:
        for _ in range(8):
            rig.camera.drive(1.0, 0, 0, 0)
            await asyncio.sleep(0.2)
        rig.camera.stop()
        await rig.until(lambda: not rig.camera.moving)
        assert rig.speed() == 0
        assert not [fault for state in rig.said if isinstance(state, CameraState) for fault in state.faults]

    for seed in range(1, 13):
        with_rig(scene, seed=seed, habits=Habits(stop_seconds=0.1))


def test_a_mount_that_swings_on_after_a_move_is_not_taken_for_motion() -> None:
    async def scene(rig: Rig) -> None:
        for number in range(6):
            rig.camera.recall(Recall("there", framing(3000 if number % 2 else -1500, 400), id=str(number)))
            assert (await rig.end_of(str(number))).phase == "settled"
            await asyncio.sleep(4.0)
            assert rig.camera.state().faults == ()
            assert rig.camera.state().activity == "at-rest"

    for mount in ("tripod", "balcony-rail", "truss"):
        with_rig(scene, mount=mount)


# The guard's part


def test_a_camera_that_may_move_without_an_end_renews_its_term_in_time_and_ends_it_at_rest() -> None:
    guard = WatchingGuard()

    async def scene(rig: Rig) -> None:
        began = now()
        for _ in range(10):
            rig.camera.drive(0.2, 0, 0, 0)
            assert guard.terms and guard.terms[-1][1] > 0
            await asyncio.sleep(0.2)
        rig.camera.stop()
        assert guard.terms[0][0] == began, "ahead of the first order"
        terms = [term for term in guard.terms if term[1]]
        assert all(later[0] < at + seconds - 0.05 for (at, seconds), later in pairwise(terms))
        await rig.until(lambda: not rig.camera.moving)
        await asyncio.sleep(0.2)
        assert guard.terms[-1][1] == 0.0
        guard.terms.clear()
        rig.camera.recall(Recall("there", framing(2000), id="1"))
        await rig.end_of("1")
        assert not any(seconds for _, seconds in guard.terms), "a move that ends by itself needs no guard"

    with_rig(scene, guard=guard)


@pytest.mark.parametrize("later", [0.0, 0.07, 0.14, 0.21])
def test_the_term_of_a_move_on_air_never_reaches_beyond_its_target(later: float) -> None:
    """By more than the slowest step turns in the shortest term: less than that and a busy computer ends good moves."""
    guard = WatchingGuard()

    async def scene(rig: Rig) -> None:
        await asyncio.sleep(later)
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(1500, 200), seconds=6.0, on_air=True, id="1"))
        to_go: list[tuple[float, float]] = []
        landing: list[bytes] = []
        send = rig.link.send

        def note(datagram: bytes) -> None:
            if Packet.decode(datagram).payload[:4] == b"\x81\x01\x06\x02":  # an absolute order ends by itself
                landing.append(datagram)
            send(datagram)

        rig.link.send = note  # type: ignore[method-assign]
        while not landing:
            head = rig.simulated.head
            over_at = guard.terms[-1][0] + guard.terms[-1][1] if guard.terms else 0.0
            speed = abs(head.pan_deg_per_s(now()))
            if speed > 0.5 and over_at > now():
                to_go.append((abs(1500 / 51.2 - head.pan_deg(now())), speed * (over_at - now())))
            await asyncio.sleep(0.05)
        assert (await rig.end_of("1")).phase == "settled"
        assert to_go
        assert all(beyond - way < 0.4 for way, beyond in to_go), max((b - w, w, b) for w, b in to_go)

    with_rig(scene, guard=guard)


def test_without_a_guard_nothing_begins_that_has_no_end_of_its_own_and_what_goes_on_is_stopped() -> None:
    guard = WatchingGuard()

    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.3, 0, 0, 0)
        await asyncio.sleep(0.3)
        guard.watches = False
        await asyncio.sleep(0.7)
        assert rig.speed() == 0
        await asyncio.sleep(1.5)  # then a push is a new one
        with pytest.raises(Refusal) as refusal:
            rig.camera.drive(0.3, 0, 0, 0)
        assert refusal.value.code == "no-guard"
        rig.camera.recall(Recall("there", framing(500), id="1"))
        assert (await rig.end_of("1")).phase == "settled"
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("back", framing(0), seconds=6.0, on_air=True, id="2"))
        assert (rig.moves[-1].phase, rig.moves[-1].code) == ("refused", "no-guard")

    with_rig(scene, guard=guard)


# A program that stood still


def told(rig: Rig) -> None:
    rig.camera.stalled(5.0)


def not_told(rig: Rig) -> None:
    asyncio.get_running_loop().pass_over(1.0)  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("way", "stall"), [("hand", told), ("hand", not_told), ("shaped", told), ("shaped", not_told), ("smooth", not_told)]
)
def test_a_drive_and_a_move_on_air_are_stopped_after_a_stall_and_nothing_is_made_up_for(
    way: str, stall: Callable[[Rig], None]
) -> None:
    async def scene(rig: Rig) -> None:
        if way == "hand":
            rig.camera.drive(0.3, 0, 0, 0)
            await asyncio.sleep(0.2)
        else:
            if way == "smooth":
                smooth(rig)
            rig.camera.set_tally("program")
            rig.camera.recall(Recall("there", framing(1500), seconds=6.0, on_air=True, id="1"))
            await asyncio.sleep(2.0)
        stall(rig)
        await asyncio.sleep(1.0)
        assert rig.speed() == 0
        if way != "hand":
            assert (rig.moves[-1].phase, rig.moves[-1].code) == ("failed", "stalled")

    with_rig(scene)


def test_a_move_off_air_goes_on_after_a_stall_for_it_ends_by_itself() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("there", framing(1500), step=10, id="1"))
        await asyncio.sleep(0.5)
        rig.camera.stalled(5.0)
        assert (await rig.end_of("1")).phase == "settled"

    with_rig(scene)


# Orders that end by themselves, on a head that goes on smoothly with a new one


def smooth(rig: Rig) -> None:
    settings = rig.camera.settings
    rig.camera.settings = replace(settings, head=replace(settings.head, renewal="smooth"))


@pytest.mark.parametrize("pan", [0.2, 0.5, 0.8])
def test_a_head_that_is_driven_and_left_alone_comes_to_rest_a_little_ahead(pan: float) -> None:
    async def scene(rig: Rig) -> None:
        smooth(rig)
        for _ in range(6):
            rig.camera.drive(pan, 0, 0, 0)
            await asyncio.sleep(0.2)
        rig.link.cut = True
        left_at, speed = rig.simulated.head.pan_deg(now()), rig.speed()
        await asyncio.sleep(4.0)
        assert rig.speed() == 0
        braking = speed * speed / (2 * 114.0)
        assert rig.simulated.head.pan_deg(now()) - left_at < 0.9 * speed + braking

    for seed in range(4):
        with_rig(scene, seed=seed)


@pytest.mark.parametrize("after", [1.0, 2.5, 4.0, 5.5])
def test_a_head_that_is_left_alone_in_a_move_on_air_lands(after: float) -> None:
    async def scene(rig: Rig) -> None:
        smooth(rig)
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(1500, 300), seconds=6.0, on_air=True, id="1"))
        await asyncio.sleep(after)
        rig.link.cut = True
        await asyncio.sleep(30.0)
        head = rig.simulated.head
        assert rig.speed() == 0
        assert (head.pan_counts(now()), head.tilt_counts(now())) == (1500, 300)

    for seed in range(3):
        with_rig(scene, seed=seed)


# A window of travel


@pytest.mark.parametrize("renewal", ["smooth", "unknown"])
@pytest.mark.parametrize(("pan", "tilt"), [(1.0, 0.0), (-0.6, 0.3), (0.3, -1.0), (0.05, 0.05)])
def test_a_head_that_is_driven_never_comes_out_of_its_window(pan: float, tilt: float, renewal: Renewal) -> None:
    async def scene(rig: Rig) -> None:
        settings = rig.camera.settings
        window = Window((-20.0, 25.0), (-8.0, 12.0))
        head = replace(settings.head, renewal=renewal)
        rig.camera.settings = replace(settings, window=window, head=head)
        until = now() + 12.0
        while now() < until:
            rig.camera.drive(pan, tilt, 0, 0)
            await asyncio.sleep(0.1)
            here = rig.simulated.head
            assert -20.05 <= here.pan_deg(now()) <= 25.05
            assert -8.05 <= here.tilt_deg(now()) <= 12.05
        rig.camera.stop()
        rig.camera.recall(Recall("outside", framing(2000), id="1"))
        assert rig.moves[-1].code == "outside-window"

    for seed in range(2):
        with_rig(scene, seed=seed)


def test_a_window_is_written_into_a_head_that_takes_limits_and_again_after_it_restarted() -> None:
    async def scene(rig: Rig) -> None:
        def ends(deg: float) -> bool:
            rig.simulated.moved_by_another(PanTiltDrive(24, 20, 1, 0), now())
            return rig.simulated.head.aim_deg[0] == pytest.approx(deg, abs=0.1)

        assert ends(25.0)
        await asyncio.sleep(3.0)
        rig.simulated.power_cut(now())
        await asyncio.sleep(2.0)
        await rig.until(lambda: rig.camera.state().activity == "at-rest", 60.0)
        await asyncio.sleep(1.0)
        assert ends(25.0)

    async def play() -> None:
        async with rigged() as rig:
            settings = rig.camera.settings
            rig.camera.settings = replace(settings, window=Window((-20.0, 25.0), (-8.0, 12.0)))
            await rig.ready()
            await asyncio.sleep(1.0)
            await scene(rig)

    virtual_time.run(play())


# Every move ends


def test_a_recall_to_a_camera_whose_buffers_stay_full_ends_in_time() -> None:
    async def scene(rig: Rig) -> None:
        receive, send = rig.link.receive, rig.link.send
        full: dict[int, bytes] = {}

        def through(datagram: bytes) -> None:
            packet = Packet.decode(datagram)
            if packet.payload_type is PayloadType.COMMAND:
                full[packet.sequence] = ErrorReply(0, ErrorCode.BUFFER_FULL).encode()
                send(Packet(PayloadType.INQUIRY, packet.sequence, b"\x81\x09\x04\x00\xff").encode())
            else:
                send(datagram)

        async def back() -> bytes:
            datagram = await receive()
            packet = Packet.decode(datagram)
            if packet.sequence in full:
                return Packet(PayloadType.REPLY, packet.sequence, full.pop(packet.sequence)).encode()
            return datagram

        rig.link.send, rig.link.receive = through, back  # type: ignore[method-assign]
        await asyncio.sleep(2.0)
        rig.camera.recall(Recall("there", framing(1500), id="1"))
        promise = rig.moves[-1].predicted_seconds
        assert promise is not None
        report = await rig.end_of("1", 3 * promise + 10)
        assert report.phase == "failed"

    with_rig(scene)


def test_a_move_that_goes_on_through_a_silence_is_neither_taken_for_a_stray_nor_kept_waiting_for() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("far", framing(-6000), step=10, id="1"))  # 117° at 3.8°/s
        await asyncio.sleep(1.0)
        rig.link.cut = True
        assert (await rig.end_of("1")).code == "unreachable"
        rig.link.cut = False
        await rig.until(lambda: rig.camera.state().link == "up")
        assert rig.speed() > 3.0
        assert (rig.camera.state().activity, rig.camera.state().position) == (None, None)
        await rig.until(lambda: rig.speed() == 0)
        await rig.until(lambda: rig.camera.state().activity == "at-rest", 2.0)
        assert rig.camera.state().faults == ()
        assert rig.simulated.head.pan_counts(now()) == pytest.approx(-6000, abs=1)

    with_rig(scene)


# A head that takes no absolute order while it moves


@pytest.mark.parametrize("overtaken", ["cancelled", "kept"])
def test_a_move_on_air_is_not_driven_past_its_target_by_a_head_that_refuses_to_be_landed(overtaken: Any) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(1500), seconds=6.0, on_air=True, id="1"))
        farthest = 0
        while not rig.moves[-1].phase.ended:
            farthest = max(farthest, rig.simulated.head.pan_counts(now()))
            await asyncio.sleep(0.02)
        assert rig.moves[-1].phase == "settled"
        assert farthest < 1510

    with_rig(scene, habits=Habits(renewal="refused", overtaken=overtaken))


@pytest.mark.parametrize("pan", [0.3, 1.0])
def test_a_recall_that_a_driven_head_refuses_stops_it_first(pan: float) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.drive(pan, 0, 0, 0)
        await asyncio.sleep(0.4)
        speed = rig.speed()
        rig.camera.recall(Recall("there", framing(-500), id="1"))
        farthest = 0.0
        while not rig.moves[-1].phase.ended:
            farthest = max(farthest, rig.simulated.head.pan_deg(now()))
            await asyncio.sleep(0.02)
        assert rig.moves[-1].phase == "settled"
        assert farthest < speed * speed / (2 * 114.0) + 0.4 * speed + 0.15 * speed

    with_rig(scene, habits=Habits(renewal="refused"))


def test_the_term_of_a_move_goes_on_until_the_zoom_that_is_driven_has_its_order_too() -> None:
    guard = WatchingGuard()

    async def scene(rig: Rig) -> None:
        for _ in range(3):
            rig.camera.drive(0, 0, 0.3, 0)
            await asyncio.sleep(0.2)
        send = rig.link.send

        def lose(datagram: bytes) -> None:
            if Packet.decode(datagram).payload[:4] not in (b"\x81\x01\x04\x47", b"\x81\x01\x04\x06"):
                send(datagram)

        rig.link.send = lose  # type: ignore[method-assign]
        rig.camera.recall(Recall("there", framing(500, 0, 0x3000), id="1"))
        await asyncio.sleep(1.0)
        assert guard.terms[-1][1] > 0, "the zoom is still driven"
        assert (await rig.end_of("1", 30.0)).phase == "failed"
        rig.link.send = send  # type: ignore[method-assign]
        await rig.until(lambda: not rig.camera.moving, 10.0)
        assert not rig.simulated.lens.zoom.moving(now())

    with_rig(scene, guard=guard)


def test_a_halting_after_a_failed_move_is_guarded() -> None:
    guard = WatchingGuard()

    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("there", framing(1500), step=10, id="1"))
        await asyncio.sleep(0.5)
        rig.simulated.ignores_stops_until = now() + 3.0
        rig.camera.ended(rig.camera.activity, rig.moves[-1].phase, halt=True)
        await asyncio.sleep(0.5)
        assert guard.terms and guard.terms[-1][1] > 0

    with_rig(scene, guard=guard)


@pytest.mark.parametrize("form", ["numbered", "datagrams"])
@pytest.mark.parametrize("there_and_back_seconds", [0.1, 0.2, 0.3])
def test_a_camera_whose_answers_come_late_is_seen_to_stand(there_and_back_seconds: float, form: Any) -> None:
    async def scene(rig: Rig) -> None:
        for _ in range(3):
            rig.camera.drive(0.3, 0.0, 0.0, 0.0)
            await asyncio.sleep(0.3)
            rig.camera.stop()
            await rig.until(lambda: not rig.camera.moving, 10.0)
            assert rig.speed() == 0.0
            await asyncio.sleep(1.0)

    with_rig(scene, delay_seconds=there_and_back_seconds / 2, form=form)


@pytest.mark.parametrize("driven", [False, True])
def test_a_camera_that_restarts_is_not_told_to_stop_while_it_sweeps_and_is_when_it_moves_on(driven: bool) -> None:
    async def scene(rig: Rig) -> None:
        await asyncio.sleep(3.0)
        if driven:
            rig.camera.drive(0.3, 0.0, 0.0, 0.0)
            await asyncio.sleep(0.3)
        rig.simulated.power_cut(now())
        await rig.until(lambda: rig.camera.state().power == "starting", 3.0)
        await asyncio.sleep(1.0)  # what was on its way is repeated until it is answered
        stops = sent_stops(rig)
        await asyncio.sleep(15.0)
        assert rig.camera.state().power == "starting"
        assert stops == []
        await rig.ready()
        await asyncio.sleep(10.0)  # in which a start-up's last ways and its swing are nobody's order
        rig.simulated.moved_by_another(SLOWLY, now())
        await rig.until(lambda: rig.speed() > 0.0)
        await rig.until(lambda: rig.speed() == 0.0, 3.0)

    with_rig(scene)


@pytest.mark.parametrize("seed", range(6))
def test_a_head_behind_a_slow_network_that_loses_packets_is_seen_at_rest(seed: int) -> None:
    """0.3 s there and back, 3 % lost each way: and stops push questions aside."""

    async def scene(rig: Rig) -> None:
        for push in (0.5, -0.5):
            for _ in range(30):
                rig.camera.drive(push, 0, 0, 0)
                await asyncio.sleep(0.1)
            await rig.until(lambda: rig.camera.state().activity == "at-rest", 20.0)
            assert rig.speed() < 0.01

    with_rig(scene, seed=seed, stranger=True, delay_seconds=0.15, loss=0.03)
