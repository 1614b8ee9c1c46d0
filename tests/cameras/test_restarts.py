"""A camera that loses its power, is switched or finds its ends anew: told soon, followed, and sent nowhere unasked."""

from __future__ import annotations

import asyncio
import random
from functools import partial
from typing import Literal

import pytest
import rigs
from ptzsim import virtual_time
from rigs import Rig, framing, rigged

from ptzd.cameras import CameraState, LearnLimits, Lock, Phase, Recall, Switching
from ptzd.line import Framing
from ptzd.links import Form
from ptzd.refusal import Refusal
from ptzd.visca import ErrorCode, PanTiltReset, PanTiltStatusInquiry, PowerOn, PowerStandby, load_dialect

pytestmark = pytest.mark.usefixtures("nothing_fails_unseen")

KEYS, DOOR = framing(1900, 300, 0x1800), framing(-1200, -150, 0x0400)
SWEEPING = [order.message for order in (PowerOn(), PowerStandby(), PanTiltReset())]
FOUND_OUT_SECONDS = 3.0
FORMS: tuple[Form | Literal["serial"], ...] = ("numbered", "stream", "datagrams", "serial")


def named(stands: Framing) -> str | None:
    """Which of both it is, give or take what a head wavers."""
    for name, wanted in (("keys", KEYS), ("door", DOOR)):
        off = (stands.pan_counts - wanted.pan_counts, stands.tilt_counts - wanted.tilt_counts)
        if max(map(abs, off)) <= 1 and abs(stands.zoom_counts - wanted.zoom_counts) <= 1:
            return name
    return None


with_rig = partial(rigs.with_rig, stands_in=named)


def sent(rig: Rig) -> list[bytes]:
    """Return what is sent to the camera from now on, without headers, as it leaves."""
    messages: list[bytes] = []
    send = rig.link.send

    def keep(datagram: bytes) -> None:
        messages.append(datagram[8:] if rig.link.form == "numbered" else datagram)
        send(datagram)

    rig.link.send = keep  # type: ignore[method-assign]
    return messages


def begin(rig: Rig, doing: str) -> None:
    """Set a camera off on what it is to be doing; nothing where it rests."""
    match doing:
        case "move":
            rig.camera.recall(Recall("door", DOOR, id="1"))
        case "shaped":
            rig.camera.set_tally("program")
            rig.camera.recall(Recall("door", DOOR, seconds=12.0, on_air=True, id="1"))
        case "drive":
            rig.camera.drive(0.2, 0.0, 0.0, 0.0)


def now() -> float:
    return asyncio.get_running_loop().time()


@pytest.mark.parametrize("seed", range(24))
def test_a_power_cut_at_whatever_moment_is_told_within_three_seconds_and_followed_and_then_asked_about(
    seed: int,
) -> None:
    rng = random.Random(seed)
    doing = ("rest", "move", "shaped", "drive")[seed % 4]

    async def scene(rig: Rig) -> None:
        messages = sent(rig)
        assert (await rig.recall(Recall("keys", KEYS, id="there"))).phase == "settled"
        begin(rig, doing)
        await asyncio.sleep(rng.uniform(0.0, 5.0 if doing == "rest" else 0.4))
        rig.simulated.power_cut(now())
        await rig.until(lambda: rig.camera.state().power != "on", FOUND_OUT_SECONDS)
        await rig.until(lambda: rig.camera.state().power == "starting", FOUND_OUT_SECONDS)
        assert rig.camera.state().was_in is None
        await rig.ready()
        expected = {"rest": "keys", "drive": None}.get(doing, "door")
        assert (rig.camera.state().was_in, rig.camera.state().position) == (expected, None)
        for _ in range(50):
            await asyncio.sleep(0.1)
            assert rig.speed() == 0, "it moves, and nobody has asked it to"
        assert not [each for each in messages if each in SWEEPING]
        if expected is not None:
            back = KEYS if expected == "keys" else DOOR
            rig.camera.recall(Recall(expected, back, id="back", on_air=True))
            assert rig.camera.state().was_in is None

    with_rig(scene, seed=seed, stranger=True, form=FORMS[rng.randrange(len(FORMS))])


@pytest.mark.parametrize("form", ["numbered", "stream"])
@pytest.mark.parametrize("doing", ["rest", "move", "shaped", "drive"])
def test_a_head_that_does_not_tell_that_it_starts_up_is_sent_nowhere_after_its_sweep_either(
    doing: str, form: Form
) -> None:
    async def scene(rig: Rig) -> None:
        rig.simulated.body.refuses[PanTiltStatusInquiry] = ErrorCode.SYNTAX
        await rig.recall(Recall("keys", KEYS, id="there"))
        begin(rig, doing)
        await asyncio.sleep(0.3)
        rig.simulated.power_cut(now())
        await rig.until(lambda: not rig.simulated.head.starting(now()), 60.0)
        await rig.ready()
        for _ in range(50):
            await asyncio.sleep(0.1)
            assert rig.speed() == 0, "it moves, and nobody has asked it to"
        if doing in ("move", "shaped"):
            assert rig.moves[-1].phase == "failed"
        if form == "numbered":
            assert rig.camera.state().was_in == {"rest": "keys", "drive": None}.get(doing, "door")

    with_rig(scene, form=form)


@pytest.mark.parametrize("after", ["silence", "stranger", "drive"])
def test_nobody_is_asked_to_recall_what_was_not_lost(after: str) -> None:
    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("keys", KEYS, id="there"))
        match after:
            case "silence":
                rig.link.cut = True
                await rig.until(lambda: rig.camera.state().link == "down")
                rig.link.cut = False
            case "stranger":
                rig.simulated._numbers.reset()  # as somebody else's RESET does
                await asyncio.sleep(1.0)
            case "drive":
                rig.simulated.power_cut(now())
                await rig.until(lambda: rig.camera.state().was_in == "keys", 120.0)
                rig.camera.drive(0.2, 0.0, 0.0, 0.0)
                await asyncio.sleep(0.2)
                rig.camera.stop()
        await rig.ready()
        await asyncio.sleep(2.0)
        assert rig.camera.state().was_in is None
        assert rig.camera.state().position == (None if after == "drive" else "keys")

    with_rig(scene)


@pytest.mark.parametrize("seed", range(6))
def test_a_camera_is_switched_and_finds_its_ends_when_somebody_says_that_all_is_clear(seed: int) -> None:
    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("keys", KEYS, id="there"))
        messages = sent(rig)

        async def switched(switching: Switching, power: str) -> None:
            with pytest.raises(Refusal) as refused:
                await rig.camera.switch(switching, clear=False)
            assert refused.value.code == "not-clear" and '"clear": true' in refused.value.sentence
            assert not [each for each in messages if each in SWEEPING]
            await rig.camera.switch(switching, clear=True)
            await rig.until(lambda: rig.camera.state().power == power, 3.0)
            assert [each for each in messages if each in SWEEPING]
            messages.clear()

        await switched("standby", "standby")
        assert not rig.simulated.body.powered
        await asyncio.sleep(2.0)
        assert rig.camera.state().was_in is None, "nobody can bring it back while it is off"
        await switched("on", "starting")
        await rig.ready()
        assert rig.camera.state().was_in == "keys"
        await switched("reset", "starting")
        await rig.ready()
        await asyncio.sleep(3.0)
        assert rig.camera.state().faults == ()
        assert (await rig.recall(Recall("keys", KEYS, id="back"))).phase == "settled"
        assert not [said for said in rig.said if isinstance(said, CameraState) and said.faults]

    with_rig(scene, seed=seed, stranger=True, form=FORMS[seed % 4])


@pytest.mark.parametrize(
    ("hindered", "switching", "code"),
    [
        ("locked", "standby", "locked"),
        ("on air", "standby", "on-air"),
        ("moving", "standby", "moving"),
        ("moving", "reset", "moving"),
        ("silent", "on", "unreachable"),
        ("on", "on", "as-it-is"),
        ("in standby", "standby", "as-it-is"),
        ("in standby", "reset", "standby"),
    ],
)
def test_a_camera_is_not_switched_where(hindered: str, switching: Switching, code: str) -> None:
    async def scene(rig: Rig) -> None:
        match hindered:
            case "locked":
                rig.camera.lock(Lock("the rigger", "", rig.camera.state().as_of))
                await rig.ready()
            case "on air":
                rig.camera.set_tally("program")
            case "moving":
                rig.camera.recall(Recall("door", DOOR, id="1"))
            case "silent":
                rig.link.cut = True
                await rig.until(lambda: rig.camera.state().link == "down")
            case "in standby":
                rig.simulated.moved_by_another(PowerStandby(), now())
                await rig.until(lambda: rig.camera.state().power == "standby")
        messages = sent(rig)
        with pytest.raises(Refusal) as refused:
            await rig.camera.switch(switching, clear=True)
        assert refused.value.code == code
        assert not [each for each in messages if each in SWEEPING]

    with_rig(scene)


@pytest.mark.parametrize("overhead", [True, False])
def test_people_below_are_spoken_of_where_a_camera_hangs_over_them_and_nowhere_else(overhead: bool) -> None:
    async def scene(rig: Rig) -> None:
        with pytest.raises(Refusal) as refused:
            await rig.camera.switch("reset", clear=False)
        assert ("it hangs over people" in refused.value.sentence) is overhead

    with_rig(scene, overhead=overhead)


def test_a_learning_ends_where_its_camera_loses_power_and_no_position_is_asked_about() -> None:
    async def scene(rig: Rig) -> None:
        limits = LearnLimits((-30.0, 30.0), (-10.0, 20.0))
        learning = asyncio.ensure_future(rig.camera.learn(limits, lambda progress: None, random.Random(1)))
        await asyncio.sleep(20.0)
        rig.simulated.power_cut(now())
        with pytest.raises(Refusal):
            await learning
        await rig.until(lambda: rig.camera.state().power == "starting", 30.0)
        await rig.ready()
        assert rig.camera.state().was_in is None

    with_rig(scene)


@pytest.mark.parametrize("axis", ["pan", "tilt"])
def test_a_head_that_has_lost_its_place_stands_in_no_position_and_none_is_stored_of_it(axis: str) -> None:
    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("keys", KEYS, id="there"))
        setattr(rig.simulated.head, f"{axis}_fault", True)
        await rig.until(lambda: rig.camera.state().position is None, 6.0)
        with pytest.raises(Refusal) as refused:
            await rig.camera.read_framing()
        assert refused.value.code == "lost-place"
        assert any(f"lost its {axis} position" in fault for fault in rig.camera.state().faults)
        ended = await rig.recall(Recall("door", DOOR, id="1"))
        assert ended.warning is not None and "lost its place" in ended.warning
        assert (ended.phase, ended.code) == (Phase.FAILED, "lost-place"), "it tells to be there, and may be anywhere"
        assert rig.camera.state().position is None
        setattr(rig.simulated.head, f"{axis}_fault", False)
        await rig.until(lambda: rig.camera.state().position == "door", 10.0)
        assert await rig.camera.read_framing() == DOOR

    with_rig(scene)


@pytest.mark.parametrize("seed", range(12))
def test_a_power_cut_at_rest_is_not_told_as_somebody_who_moves_it_once_it_says_that_it_sweeps(seed: int) -> None:
    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("keys", KEYS, id="there"))
        await asyncio.sleep(random.Random(seed).uniform(0.5, 5.0))
        rig.simulated.power_cut(now())
        await rig.until(lambda: rig.camera.state().power == "starting", FOUND_OUT_SECONDS)
        assert not [fault for fault in rig.camera.state().faults if "nobody here had ordered it" in fault]
        await rig.ready()
        state = rig.camera.state()
        assert (state.was_in, state.faults) == ("keys", ())

    with_rig(scene, seed=seed, form=FORMS[seed % 4])


def test_a_move_that_is_driven_and_falls_silent_is_told_as_one_that_may_go_on() -> None:
    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("keys", KEYS, id="there"))
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("door", DOOR, seconds=12.0, on_air=True, id="1"))
        await asyncio.sleep(3.0)
        rig.link.cut = True
        ended = await rig.end_of("1", 10.0)
        assert ended.phase == "failed" and ended.sentence is not None
        assert "may go on until its end: pull its plug" in ended.sentence
        assert "finishing" not in ended.sentence

    with_rig(scene)


def test_a_lens_that_finds_its_ends_after_the_head_is_moved_by_nobody() -> None:
    async def play() -> None:
        async with rigged(ready=False) as rig:
            await rig.until(lambda: not rig.simulated.head.starting(now()))
            for _ in range(20):
                for end in (rig.simulated.dialect.zoom.tele_counts, 0):
                    rig.simulated.lens.zoom_to(now(), end)
                    await asyncio.sleep(0.5)
            await rig.ready()
            assert rig.camera.state().faults == ()

    virtual_time.run(play())


@pytest.mark.parametrize("form", ["numbered", "stream"])
def test_another_kind_of_head_at_the_same_link_is_moved_by_nobody(form: Form) -> None:
    """It answers 18 as its fastest tilt step where 23 was told: 14.4 counts a degree, and 51.2."""

    async def play() -> None:
        async with rigged(form=form) as rig:
            await rig.ready()
            assert (await rig.recall(Recall("keys", KEYS, id="there"))).phase == "settled"
            stood = rig.simulated.head.pan_deg(now())
            other = load_dialect("nibble4-14")
            own, rig.simulated.body._dialect = rig.simulated.body._dialect, other
            rig.camera.contact.line.begin_anew()
            await rig.until(lambda: rig.camera.state().faults != ())
            assert "another kind of head" in rig.camera.state().faults[0]
            assert "steps are 24 and 18, not 24 and 23" in rig.camera.state().faults[0]
            assert (await rig.recall(Recall("door", DOOR, id="away"))).code == "other-head"
            with pytest.raises(Refusal, match="another kind of head"):
                rig.camera.drive(0.3, 0.0, 0.0, 0.0)
            assert rig.simulated.head.pan_deg(now()) == pytest.approx(stood, abs=0.05)
            rig.simulated.body._dialect = own
            rig.camera.contact.line.begin_anew()
            await rig.ready()
            await rig.until(lambda: rig.camera.state().faults == ())
            assert (await rig.recall(Recall("door", DOOR, id="back"))).phase == "settled"

    virtual_time.run(play())
