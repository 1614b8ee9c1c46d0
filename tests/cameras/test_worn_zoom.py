"""A zoom moved by an added motor with play, or with a gear that slips: what a recall and a learning say of it."""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from ptzsim.virtual_time import run
from rigs import Rig, framing, rigged

from ptzd.cameras import LearnLimits, MoveReport, Recall
from ptzd.cameras.learning.lens_trials import LensTrials
from ptzd.cameras.learning.measurements import Measurements, Seeing
from ptzd.cameras.learning.probe import Probe
from ptzd.cameras.learning.progress import Stages
from ptzd.cameras.learning.trials import FirstLook, plan_trials, rooms_within
from ptzd.line import Tolerance
from ptzd.refusal import Refusal

PLAY_COUNTS = 10.0
AWAY, BACK = framing(200, 100, 0x1000), framing(0, 0, 0x0800)


async def there_and_back(rig: Rig) -> MoveReport:
    await rig.ready()
    await rig.recall(Recall("away", AWAY, id="1"))
    return await rig.recall(Recall("back", BACK, id="2"))


@pytest.mark.parametrize("tolerance", [1, 5])
def test_play_lands_half_of_it_beside_on_the_side_from_which_it_came(tolerance: int) -> None:
    async def scene() -> MoveReport:
        async with rigged() as rig:
            rig.camera.settings = replace(rig.camera.settings, tolerance=Tolerance(zoom_counts=tolerance))
            rig.simulated.lens._zoom_play = PLAY_COUNTS
            return await there_and_back(rig)

    report = run(scene())
    assert report.landing is not None
    assert report.landing.zoom_counts == PLAY_COUNTS / 2
    assert report.phase == ("settled" if tolerance == 5 else "failed")
    if tolerance == 1:
        assert report.code == "off-position"
        assert "its zoom ended 5 counts beside; perhaps its motor has play" in (report.sentence or "")


def test_a_gear_that_slips_is_told_by_where_the_zoom_ends() -> None:
    async def scene() -> list[MoveReport]:
        async with rigged() as rig:
            await rig.ready()
            rig.simulated.lens._zoom_slip = 40.0
            return [
                await rig.recall(Recall("there", AWAY if number % 2 else BACK, id=str(number))) for number in range(24)
            ]

    ends = run(scene())
    failed = [end for end in ends if end.phase == "failed"]
    assert failed, "in two dozen moves such a gear slips"
    assert all(end.code == "off-position" and "its gear slips" in (end.sentence or "") for end in failed)
    assert all(abs(end.landing.zoom_counts) <= 1 for end in ends if end.phase == "settled" and end.landing)


def test_a_zoom_with_play_is_not_learned_and_the_reason_is_told() -> None:
    """The trials of the lens alone: all others are as ever."""

    async def scene() -> Refusal:
        async with rigged(seed=5) as rig:
            await rig.ready()
            rig.simulated.lens._zoom_play = PLAY_COUNTS
            camera, dialect = rig.camera, rig.camera.settings.dialect
            camera.settings = replace(camera.settings, strange_motion="report")  # nobody told it that it is learned
            start = await camera.read_framing()
            limits = LearnLimits((-20.0, 20.0), (-5.0, 20.0))
            rooms, head = rooms_within(dialect, limits, start), camera.settings.head
            probe = Probe(camera.contact.line, start, rooms, head, [], lambda framing: None, camera._watch.ask_power)
            plan = plan_trials(head, dialect, rooms, random.Random(5), FirstLook())
            stages = Stages(plan, lambda progress: None, probe.look_whether_on)
            with pytest.raises(Refusal) as caught:
                await LensTrials(probe, dialect, Seeing(Tolerance()), Measurements(), stages).every()
            return caught.value

    refusal = run(scene())
    assert refusal.code == "not-learned"
    assert "by up to 5 counts: its motor has play, or its gear slips" in refusal.sentence
