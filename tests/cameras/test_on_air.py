"""What changes when the vision mixer shows a camera."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from typing import Any

import pytest
from rigs import Rig, framing, with_rig

from ptzd.cameras import LearnLimits, Optics, Recall
from ptzd.motion import Sensor, lens_between
from ptzd.refusal import Refusal
from ptzd.visca import FocusAuto, load_dialect

LONG_LENS = Optics(Sensor(36.0, 24.0), lens_between(100.0, 400.0, load_dialect("nibble4-51").zoom.ratios), 24.0)


def test_on_air_a_head_goes_at_half_its_range_of_steps_unless_told_otherwise() -> None:
    """Common practice: off air at full speed, on air at half or less."""

    async def scene(rig: Rig) -> None:
        off = await rig.recall(Recall("there", framing(3000), id="1"))
        rig.camera.set_tally("program")
        on = await rig.recall(Recall("back", framing(0), id="2", on_air=True))
        assert off.measured_seconds is not None and on.measured_seconds is not None
        # step 24 is 120 degrees/s, step 12 is 6 (TLC-700-S user manual, speed value): 58.6 degrees take 9.8 s
        assert on.measured_seconds > 9
        assert off.measured_seconds < 3

    with_rig(scene)


def test_a_move_too_fast_to_watch_is_told_with_the_seconds_that_it_needs() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(2000), step=18, on_air=True, id="1"))
        warning = rig.moves[-1].warning
        assert warning is not None and "too fast to watch" in warning
        rig.camera.stop()

    with_rig(scene, optics=LONG_LENS)


def test_on_a_long_lens_even_the_slowest_step_is_too_fast_and_that_is_said() -> None:
    """At 400 mm the limit is 0.74 degrees/s ("Panning speed best practices", RED 101), step 1 is 1 degree/s."""

    async def scene(rig: Rig) -> None:
        await rig.recall(Recall("tele", framing(0, 0, 0x4000), id="0"))
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(500, 0, 0x4000), step=1, on_air=True, id="1"))
        assert "even the slowest" in (rig.moves[-1].warning or "")

    with_rig(scene, optics=LONG_LENS)


def test_off_air_nobody_watches_so_nobody_is_warned() -> None:
    async def scene(rig: Rig) -> None:
        report = await rig.recall(Recall("there", framing(2000), id="1"))
        assert report.warning is None

    with_rig(scene, optics=LONG_LENS)


def test_a_camera_that_goes_on_air_in_mid_move_is_told_of() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.recall(Recall("there", framing(4000), id="1"))
        await asyncio.sleep(0.4)
        rig.camera.set_tally("program")
        assert "went on air" in (rig.moves[-1].warning or "")
        assert (await rig.end_of("1")).phase == "settled", "it finishes the move that it was told to make"

    with_rig(scene)


@pytest.mark.parametrize(("policy", "said", "phase"), [
    ("ask", False, "refused"),
    ("ask", True, "settled"),
    ("allow", False, "settled"),
    ("refuse", True, "refused"),
])  # fmt: skip
def test_what_moves_on_air_is_the_operators_choice(policy: str, said: bool, phase: str) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        report = await rig.recall(Recall("there", framing(200), on_air=said, id="1"))
        assert report.phase == phase
        if phase == "refused":
            assert report.code == "on-air"

    with_rig(scene, on_air_moves=policy)


@pytest.mark.parametrize(("policy", "said", "ended"), [
    ("ask", False, ("refused", None)),
    ("ask", True, ("settled", "shaped")),
    ("allow", False, ("settled", "shaped")),
    ("refuse", True, ("refused", None)),
])  # fmt: skip
def test_a_camera_of_which_nobody_tells_is_moved_as_if_it_were_on_air(
    policy: str, said: bool, ended: tuple[str, str | None]
) -> None:
    async def scene(rig: Rig) -> None:
        assert rig.camera.state().tally == "unknown"
        report = await rig.recall(Recall("there", framing(1500), on_air=said, id="1"))
        assert (report.phase, report.way) == ended
        if report.phase == "refused":
            assert report.code == "tally-unknown"
            assert report.sentence is not None and "nobody tells whether camera gallery is on air" in report.sentence
        with pytest.raises(Refusal, match="learn it when nobody watches"):
            rig.camera.seconds_to_learn(LearnLimits((-20.0, 20.0), (-10.0, 10.0)))
        rig.camera.set_tally("off")
        off = await rig.recall(Recall("back", framing(-1500), id="2"))
        assert (off.phase, off.way) == ("settled", "direct")

    with_rig(scene, on_air_moves=policy, off_air_untold=False)


@pytest.mark.parametrize(("tally", "seconds"), [("off", 60.0), ("off", 0.1), ("program", 60.0), ("program", 0.5)])
def test_a_stored_time_that_cannot_be_had_from_here_becomes_the_nearest_and_one_asked_for_now_is_refused(
    tally: str, seconds: float
) -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally(tally)  # type: ignore[arg-type]
        there = Recall("there", framing(500), seconds=seconds, on_air=True, id="stored")
        made = await rig.recall(there)
        assert (made.phase, made.way) == ("settled", "direct" if tally == "off" else "shaped")
        assert made.warning is not None and f"{seconds:g} s" in made.warning and "instead" in made.warning
        assert made.measured_seconds is not None and made.least_seconds is not None and made.most_seconds is not None
        assert made.least_seconds <= made.measured_seconds <= made.most_seconds
        assert (made.measured_seconds < seconds) is (seconds == 60.0), "it is nearer to it on its own side"
        back = replace(there, position="back", framing=framing(0), exactly=True, id="asked")
        refused = await rig.recall(back)
        assert (refused.phase, refused.code) == ("refused", "too-long" if seconds == 60.0 else "too-short")

    with_rig(scene)


def test_what_the_cues_show_counts_until_a_vision_mixer_has_spoken() -> None:
    async def scene(rig: Rig) -> None:
        told = []
        for tally, source in (("off", "cues"), ("program", "cues"), ("off", "message"), ("program", "cues")):
            rig.camera.set_tally(tally, source)  # type: ignore[arg-type]
            state = rig.camera.state()
            told.append((state.tally, state.tally_source))
        assert told == [("off", "cues"), ("program", "cues"), ("off", "message"), ("off", "message")]

    for off_air_untold in (False, True):
        with_rig(scene, off_air_untold=off_air_untold)


def test_on_air_a_move_is_shaped_and_off_air_it_is_direct() -> None:
    async def scene(rig: Rig) -> None:
        off = await rig.recall(Recall("there", framing(1500, 200, 0x1000), id="1"))
        assert off.way == "direct"
        rig.camera.set_tally("program")
        on = await rig.recall(Recall("back", framing(0, 0, 0), seconds=8.0, on_air=True, id="2"))
        assert (on.phase, on.way) == ("settled", "shaped")
        assert on.landing is not None
        assert max(abs(on.landing.pan_counts), abs(on.landing.tilt_counts), abs(on.landing.zoom_counts)) <= 1
        assert rig.speed() == 0

    with_rig(scene)


def test_a_stop_ends_a_shaped_move_in_its_middle() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(2000), seconds=8.0, on_air=True, id="1"))
        await asyncio.sleep(4)
        assert rig.speed() > 1
        rig.camera.stop()
        await asyncio.sleep(0.5)
        assert rig.speed() == 0
        await asyncio.sleep(5)
        assert rig.speed() == 0, "nothing of the curve may come later"
        assert rig.moves[-1].phase == "stopped"

    with_rig(scene)


def test_a_newer_recall_takes_over_a_shaped_move() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(2000), seconds=8.0, on_air=True, id="1"))
        await asyncio.sleep(3)
        report = await rig.recall(Recall("back", framing(-500), seconds=6.0, on_air=True, id="2"))
        assert report.phase == "settled"
        assert [each.phase for each in rig.moves if each.id == "1"][-1] == "superseded"

    with_rig(scene)


def test_a_camera_that_falls_silent_in_a_shaped_move_is_stopped_as_soon_as_it_hears_again() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(6000), seconds=30.0, on_air=True, id="1"))
        await asyncio.sleep(8)
        rig.link.cut = True
        assert (await rig.end_of("1")).code == "unreachable"
        assert rig.speed() > 0, "it drives on, since nobody could tell it to stop"
        assert rig.camera.state().faults
        rig.link.cut = False
        await rig.until(lambda: rig.camera.state().link == "up", 30)
        await asyncio.sleep(0.5)
        assert rig.speed() == 0

    with_rig(scene)


def test_a_mistake_in_our_own_sums_leaves_the_head_at_rest(monkeypatch: pytest.MonkeyPatch) -> None:
    async def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError

    async def scene(rig: Rig) -> None:
        rig.camera.drive(0.5, 0, 0, 0)
        await asyncio.sleep(0.3)
        assert rig.speed() > 1
        monkeypatch.setattr("ptzd.cameras.shaped.run_shaped", broken)
        rig.camera.set_tally("program")
        report = await rig.recall(Recall("there", framing(2000), seconds=8.0, on_air=True, id="1"))
        assert (report.phase, report.code) == ("failed", "internal")
        await asyncio.sleep(1)
        assert rig.speed() == 0
        rig.camera.set_tally("off")
        assert (await rig.recall(Recall("there", framing(2000), id="2"))).phase == "settled"

    with_rig(scene)


@pytest.mark.parametrize(("zoom", "target"), [(0x1000, 0x3000), (0x3000, 0x1000)])
def test_the_zoom_of_a_shaped_move_goes_the_right_way_from_its_beginning(zoom: int, target: int) -> None:
    async def scene(rig: Rig) -> None:
        now, lens = asyncio.get_running_loop().time, rig.simulated.lens
        await rig.recall(Recall("here", framing(0, 0, zoom), id="0"))
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(1000, 0, target), seconds=8.0, on_air=True, id="1"))
        done = [0.0]  # shares of the way
        while not rig.moves[-1].phase.ended:
            done.append((lens.zoom.position(now()) - zoom) / (target - zoom))
            assert done[-1] > max(done) - 0.005, "it turned back"
            await asyncio.sleep(0.05)
        assert (rig.moves[-1].phase, rig.moves[-1].way) == ("settled", "shaped")
        assert 0.2 < done[len(done) // 2] < 0.8, "it is under way all the time"

    with_rig(scene)


@pytest.mark.parametrize("by_itself", [True, False])
def test_a_move_on_air_to_where_the_camera_stands_settles_however_it_has_focused(by_itself: bool) -> None:
    async def scene(rig: Rig) -> None:
        there = framing(900, -300, 0x1140, 0x5E83)
        await rig.recall(Recall("there", there, id="0"))
        if by_itself:
            rig.simulated.moved_by_another(FocusAuto(), asyncio.get_running_loop().time())
        rig.camera.set_tally("program")
        for again in range(3):
            report = await rig.recall(Recall("there", there, id=f"again {again}", on_air=True))
            assert (report.phase, report.code) == ("settled", None), report.sentence
        assert not rig.simulated.lens.autofocus

    for seed in range(1, 4):
        with_rig(scene, seed=seed)


def test_a_camera_that_lost_count_in_a_move_on_air_soon_tells_again_that_it_is_on() -> None:
    async def scene(rig: Rig) -> None:
        rig.camera.set_tally("program")
        rig.camera.recall(Recall("there", framing(3000), seconds=20.0, on_air=True, id="1"))
        await asyncio.sleep(3.0)
        rig.simulated._numbers.reset()
        await asyncio.sleep(1.0)
        state = rig.camera.state()
        assert (state.activity, state.power) == ("shaped", "on")
        assert (await rig.end_of("1")).phase == "settled"

    with_rig(scene)
