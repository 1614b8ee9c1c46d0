"""Sightings of a camera, and when they hold: with the camera itself, on a virtual clock."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import degrees
from pathlib import Path
from typing import Any

import pytest
from drawn_knocks import Knock
from ptzsim import Knock as MountKnock
from ptzsim import virtual_time
from ptzsim.picture_server import look_at
from ptzsim.stage import Stage
from rigs import Rig, rigged

from ptzd.bus import Asked
from ptzd.bus.commands import AlignCommand, Command, MatchCommand, SightCommand, UnsightCommand
from ptzd.cameras import Optics, Recall, Window
from ptzd.daemon.aligning import Aligning
from ptzd.daemon.handling import handlers_of
from ptzd.line import Framing
from ptzd.motion import Lens, Sensor
from ptzd.pictures import MemoryPictures, Picture
from ptzd.positions import PositionStore, StoredPosition, inline
from ptzd.refusal import Refusal
from ptzd.visca import PanTiltRelative

EVENING = datetime(2031, 5, 24, 19, 30, tzinfo=UTC)
OPTICS = Optics(Sensor(35.9, 20.2), Lens(((0, 100.0), (0x4000, 400.0))), 25.0)
SHOTS = {"choir-wide": (-20.0, -5.0), "soloist": (25.0, 4.0), "piano": (5.0, 15.0), "organ": (-3.0, -12.0)}
KNOCK = Knock(2.0, -1.0, 3.0)


class Scene:
    """A camera, what is stored of it, and the commands."""

    def __init__(self, rig: Rig, kept: PositionStore, aligning: Aligning) -> None:
        self.rig = rig
        self.kept = kept
        self.aligning = aligning
        self.changes = 0

    def stored(self) -> dict[str, tuple[int, int]]:
        found = self.kept.positions("gallery").values()
        return {each.name: (each.framing.pan_counts, each.framing.tilt_counts) for each in found}

    async def sight(self, name: str, off_deg: float = 0.0, **more: Any) -> Any:
        """As it is seen now by a head that was knocked."""
        pan, tilt = KNOCK.now(SHOTS[name])
        counts = {"pan_counts": round(pan * 51.2), "tilt_counts": round((tilt + off_deg) * 51.2), "zoom_counts": 0x1000}
        return await self.do(SightCommand, position=name, **(counts | more))

    async def do(self, kind: type[Command], **fields: Any) -> Any:
        brought: Any = handlers_of(self.aligning)[kind](Asked("topic", kind(**fields), "gallery"), self.rig.camera)
        return await brought if asyncio.iscoroutine(brought) else brought

    async def align(self, **fields: Any) -> Any:
        return await self.do(AlignCommand, **fields)

    async def refused(self, **fields: Any) -> Refusal:
        before = self.stored()
        with pytest.raises(Refusal) as refusal:
            await self.align(**fields)
        assert self.stored() == before
        return refusal.value


def position(name: str, pan_deg: float, tilt_deg: float, zoom_counts: int = 0x1000) -> StoredPosition:
    counts = Framing(round(pan_deg * 51.2), round(tilt_deg * 51.2), zoom_counts, 0x2000, "manual")
    return StoredPosition("gallery", name, counts, "nibble4-51", 6, None, "", EVENING)


def play(
    folder: Path,
    scene: Callable[[Scene], Awaitable[None]],
    pictures: Callable[[Rig], MemoryPictures] = lambda rig: MemoryPictures({}),
    optics: Optics | None = OPTICS,
) -> None:
    async def played() -> None:
        loop = asyncio.get_running_loop()

        def calendar() -> datetime:
            return EVENING + timedelta(seconds=1 + loop.time())

        async with (
            rigged(optics=optics) as rig,
            PositionStore.open(folder / "show.db", calendar=calendar, run_disk=inline) as kept,
        ):
            await rig.ready()
            for name, angles in SHOTS.items():
                await kept.store(position(name, *angles))
            aligning = Aligning(kept, pictures(rig), changed=lambda camera: None, calendar=calendar)
            await scene(Scene(rig, kept, aligning))

    virtual_time.run(played())


def test_a_sighting_that_does_not_fit_is_named_and_keeps_all_from_being_written(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        told = await scene.sight("choir-wide")
        assert told.next == "soloist", "45.7° away, more than any other and less than a quarter turn"
        for name in ("piano", "organ"):
            assert (await scene.sight(name)).next is None
        await scene.sight("soloist", off_deg=3.0)
        shown = await scene.align()
        assert [each.position for each in shown.sightings if not each.fits] == ["soloist"]
        refusal = await scene.refused(apply=True)
        assert (refusal.code, "soloist does not fit the others" in refusal.sentence) == ("misfit", True)
        await scene.do(UnsightCommand, position="soloist")
        assert (await scene.align(apply=True)).applied
        for name, (pan, tilt) in scene.stored().items():
            true = KNOCK.now(SHOTS[name])
            assert (pan, tilt) == pytest.approx((true[0] * 51.2, true[1] * 51.2), abs=2.0), name

    play(tmp_path, scene)


def test_two_that_see_another_angle_between_them_disagree_and_two_too_near_tell_nothing(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        await scene.kept.store(position("next-to-it", -20.5, -5.0))
        await scene.sight("choir-wide")
        pan, tilt = KNOCK.now((-20.5, -5.0))
        counts = {"pan_counts": round(pan * 51.2), "tilt_counts": round(tilt * 51.2), "zoom_counts": 0x1000}
        await scene.do(SightCommand, position="next-to-it", **counts)
        refusal = await scene.refused()
        assert (refusal.code, "farther away" in refusal.sentence) == ("untold", True)
        await scene.do(UnsightCommand, position="next-to-it")
        await scene.sight("soloist", off_deg=5.0)
        refusal = await scene.refused(apply=True)
        assert "choir-wide and soloist do not fit each other" in refusal.sentence
        at = [round(deg * 51.2) for deg in KNOCK.now(SHOTS["choir-wide"])]  # both at one place: one of them is not it
        await scene.sight("soloist", pan_counts=at[0], tilt_counts=at[1])
        refusal = await scene.refused()
        assert (refusal.code, "do not fit each other" in refusal.sentence) == ("misfit", True)

    play(tmp_path, scene)


def test_one_sighting_moves_all_by_its_offsets_and_says_that_a_roll_is_unknown(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        for name in ("choir-wide", "organ"):
            await scene.kept.store(replace(scene.kept.known("gallery", name), provisional=True), replace=True)
        before = scene.stored()
        await scene.sight("choir-wide")
        told = await scene.align(apply=True)
        provisional = {each.name for each in scene.kept.positions("gallery").values() if each.provisional}
        assert provisional == {"organ"}, "one sighting makes no other position good"
        assert (told.turned, "can't tell whether the head has rolled" in told.sentence) == (None, True)
        assert {each.expected_px for each in told.positions} == {None}
        moved = {name: (pan - before[name][0], tilt - before[name][1]) for name, (pan, tilt) in scene.stored().items()}
        [(pan, tilt)] = set(moved.values())
        true = KNOCK.now(SHOTS["choir-wide"])
        assert (pan / 51.2 - 20.0, tilt / 51.2 - 5.0) == pytest.approx(true, abs=0.02)

    play(tmp_path, scene)


def test_what_is_to_stay_was_framed_since_or_leaves_the_window_is_left_alone_and_named(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        camera = scene.rig.camera
        camera.settings = replace(camera.settings, window=Window((-60.0, 60.0), (-10.0, 30.0)))
        await scene.sight("choir-wide")
        await scene.sight("soloist")
        await scene.kept.store(position("piano", 1.0, 1.0), replace=True)
        paced = replace(scene.kept.known("gallery", "organ"), speed=3, stored_at=EVENING + timedelta(hours=1))
        await scene.kept.store(paced, replace=True)
        before = scene.stored()
        told = await scene.align(apply=True, leave=["soloist"])
        left = {each.position: each.note for each in told.positions if each.after is None}
        assert left["piano"] == "it was framed since the first sighting"
        assert left["soloist"] == "it is to stay as it is"
        assert told.warning is not None and "turned with the head" in told.warning
        assert "outside this camera's window" in left["organ"], "it was not framed anew: only its pace is another"
        assert len(left) == 3
        changed = {name for name, counts in scene.stored().items() if counts != before[name]}
        assert changed == {"choir-wide"}
        assert scene.kept.known("gallery", "choir-wide").speed == 6

    play(tmp_path, scene)


def test_sightings_hold_for_as_long_as_the_camera_only_stands_there(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        await scene.sight("choir-wide")
        await asyncio.sleep(60.0)  # it is asked again and again how it is
        await scene.sight("soloist")
        assert [each.position for each in (await scene.align()).sightings] == ["choir-wide", "soloist"]

    play(tmp_path, scene)


@pytest.mark.parametrize("happens", ["it restarts", "it falls silent"])
def test_sightings_are_forgotten_where_it_may_be_another_head(tmp_path: Path, happens: str) -> None:
    async def scene(scene: Scene) -> None:
        await scene.sight("choir-wide")
        await scene.sight("soloist")
        now = asyncio.get_running_loop().time()
        if happens == "it restarts":
            scene.rig.simulated.power_cut(now)
        else:
            scene.rig.link.cut = True
        await scene.rig.until(lambda: scene.rig.camera.state().power != "on")
        scene.rig.link.cut = False
        await scene.rig.ready()
        refusal = await scene.refused()
        assert (refusal.code, "any more" in refusal.sentence) == ("no-sightings", True)
        await scene.sight("soloist")
        assert [each.position for each in (await scene.align()).sightings] == ["soloist"]

    play(tmp_path, scene)


def test_a_sighted_position_that_is_another_by_now_is_told(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        await scene.sight("choir-wide")
        await scene.kept.store(position("choir-wide", 1.0, 1.0), replace=True)
        refusal = await scene.refused(apply=True)
        assert (refusal.code, "choir-wide" in refusal.sentence) == ("changed", True)

    play(tmp_path, scene)


def test_a_slipped_zoom_ring_is_corrected_as_an_offset_and_an_end_that_is_reached_is_named(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        await scene.kept.store(position("wide-end", -10.0, 0.0, zoom_counts=100))
        await scene.sight("choir-wide", zoom_counts=0x1000 - 300, as_wide=True)
        await scene.sight("soloist", zoom_counts=0x1000 - 300, as_wide=True)
        told = await scene.align(apply=True)
        assert told.slipped_counts == -300.0
        assert {each.framing.zoom_counts for each in scene.kept.positions("gallery").values()} == {0x1000 - 300, 0}
        [clipped] = [each for each in told.positions if each.note is not None]
        assert (clipped.position, clipped.after.zoom_counts) == ("wide-end", 0)
        # 1/f is straight between 100 mm at 0 and 400 mm at 0x4000, and the ring stands 300 counts further than it says
        larger = (1 - 0.75 * 100 / 0x4000) / (1 - 0.75 * 300 / 0x4000) - 1
        assert f"{larger:.1%} larger".replace("%", " %") in clipped.note

    play(tmp_path, scene)


def test_a_position_that_changes_while_it_is_sighted_is_told(tmp_path: Path) -> None:
    async def scene(scene: Scene) -> None:
        sighting = asyncio.ensure_future(scene.do(SightCommand, position="piano"))
        await asyncio.sleep(0)
        await scene.kept.store(position("piano", 1.0, 1.0), replace=True)
        with pytest.raises(Refusal) as refusal:
            await sighting
        assert refusal.value.code == "changed"
        assert (await scene.do(UnsightCommand)).sightings == []

    play(tmp_path, scene)


def test_a_camera_that_moves_while_its_picture_is_taken_proposes_nothing(tmp_path: Path) -> None:
    made: list[Rig] = []

    class Late(MemoryPictures):
        """Takes its time, in which somebody knocks against the camera's stick."""

        async def now(self, camera: str, since: float | None = None) -> Picture:
            now = asyncio.get_running_loop().time()
            assert since == now, "no picture from before"
            made[0].simulated.moved_by_another(PanTiltRelative(200, 0, 24, 20), now)
            await asyncio.sleep(5.0)
            return await super().now(camera, since=since)

    def pictures(rig: Rig) -> MemoryPictures:
        made.append(rig)
        eye = look_at(Stage(), {"gallery": rig.simulated})["gallery"]
        return Late({"gallery": lambda: eye.jpeg(eye.sees(rig.simulated, asyncio.get_running_loop().time()))})

    async def scene(scene: Scene) -> None:
        still = (await MemoryPictures.now(scene.aligning.pictures, "gallery", since=0.0)).jpeg  # type: ignore[arg-type]
        assert await scene.kept.keep_still(scene.kept.known("gallery", "piano"), still)
        with pytest.raises(Refusal) as refusal:
            await scene.do(MatchCommand, position="piano")
        assert refusal.value.code == "moving"

    play(tmp_path, scene, pictures)


def test_a_still_proposes_the_sighting_that_a_knock_asks_for_and_notes_nothing(tmp_path: Path) -> None:
    place = (11.0, -1.0)  # boards and a window above the choir

    def pictures(rig: Rig) -> MemoryPictures:
        eye = look_at(Stage(), {"gallery": rig.simulated})["gallery"]

        def jpeg() -> bytes:
            return eye.jpeg(eye.sees(rig.simulated, asyncio.get_running_loop().time()))

        return MemoryPictures({"gallery": jpeg})

    async def scene(scene: Scene) -> None:
        simulated = scene.rig.simulated
        wall = position("wall", *place)
        simulated.lens.focus_by_itself(asyncio.get_running_loop().time(), 0.0, 0.0)
        await scene.rig.recall(Recall("wall", wall.framing, id="wall"))
        await scene.kept.store(wall)
        await asyncio.sleep(5.0)
        still = (await scene.aligning.pictures.now("gallery", since=0.0)).jpeg
        assert await scene.kept.keep_still(wall, still)
        simulated.knocked = MountKnock(0.6, -0.3, 0.5)
        found = await scene.do(MatchCommand, position="wall")
        true = Knock(0.6, -0.3, 0.5).now(place)
        pixel_counts = degrees(35.9 / 640 / 133.3) * 51.2
        assert (found.pan_counts, found.tilt_counts) == (
            pytest.approx((true[0] * 51.2, true[1] * 51.2), abs=1.0 + pixel_counts)
        )
        assert not found.as_wide
        assert (await scene.refused()).code == "no-sightings"
        simulated.knocked = MountKnock(9.0, 0.0, 0.0)
        with pytest.raises(Refusal) as refusal:
            await scene.do(MatchCommand, position="wall")
        assert refusal.value.code == "unsure"

    play(tmp_path, scene, pictures)
