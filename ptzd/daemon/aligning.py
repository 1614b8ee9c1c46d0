"""The commands that bring a camera's positions back after it was knocked or swapped.

Its sightings are kept here, in memory, until they are applied or told to be forgotten, or the camera restarts, is
switched off or falls silent: what answers then may be another head, or have found its ends anew.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime

import structlog

from ptzd.bus import Asked
from ptzd.bus.commands import AlignCommand, MatchCommand, SightCommand, UnalignCommand, UnsightCommand
from ptzd.bus.messages import AlignResult, MatchResult, SightingMessage, SightingsResult, UnalignResult
from ptzd.cameras import Camera
from ptzd.line import Framing, alike
from ptzd.pictures import Pictures
from ptzd.positions import Alignment, PositionStore, Sighting, StoredPosition, align, most_telling, proposed
from ptzd.refusal import Refusal
from ptzd.visca import DialectError

from .drift import SEEN_SIZE
from .handling import handles
from .seen import LATE_SECONDS

log = structlog.get_logger()


@dataclass(eq=False, slots=True)
class _Sightings:
    """Those of one camera, by position."""

    generation: int  # of the camera's contact: with another it may be another head
    framings: frozenset[Framing]  # that were stored as the first was sighted; any other was framed after the knock
    of: dict[str, Sighting] = field(default_factory=dict)


@dataclass(eq=False, frozen=True)
class Aligning:
    """Sightings, and what they tell. Nothing in here moves a camera."""

    kept: PositionStore
    pictures: Pictures
    changed: Callable[[Camera], None]  # lets all hear that a camera's positions are otherwise
    calendar: Callable[[], datetime]
    _open: dict[str, _Sightings] = field(default_factory=dict)

    @handles(SightCommand)
    async def sight(self, asked: Asked[SightCommand], camera: Camera) -> SightingsResult:
        wanted = asked.what
        position = self._known(camera, wanted.position)
        if wanted.as_wide and camera.settings.optics is None:
            raise Refusal(
                "no-optics",
                f"nobody knows what the zoom of camera {camera.name} shows: name its sensor and focal_length in the "
                "configuration, or sight without as_wide",
            )
        seen = await camera.read_framing()
        if not _alike(self.kept.position(camera.name, position.name), position):
            raise Refusal("changed", f"{position.name} of camera {camera.name} changed meanwhile: sight it anew")
        if wanted.pan_counts is not None and wanted.tilt_counts is not None and wanted.zoom_counts is not None:
            seen = replace(
                seen,
                pan_counts=wanted.pan_counts,
                tilt_counts=wanted.tilt_counts,
                zoom_counts=wanted.zoom_counts,
            )
        sightings = self._sightings(camera)
        if sightings is None:
            framings = frozenset(each.framing for each in self.kept.positions(camera.name).values())
            sightings = self._open[camera.name] = _Sightings(camera.contact.generation, framings)
        sightings.of[position.name] = Sighting(position, seen, wanted.as_wide)
        return self._told(camera)

    @handles(UnsightCommand)
    def unsight(self, asked: Asked[UnsightCommand], camera: Camera) -> SightingsResult:
        if (name := asked.what.position) is None:
            self._open.pop(camera.name, None)
        elif (sightings := self._sightings(camera)) is None or sightings.of.pop(name, None) is None:
            raise Refusal("unknown", f"camera {camera.name} has no sighting of {name}")
        return self._told(camera)

    @handles(MatchCommand)
    async def match(self, asked: Asked[MatchCommand], camera: Camera) -> MatchResult:
        position = self._known(camera, asked.what.position)
        by_hand = "frame it by hand, and sight it"
        if not self.pictures.has(camera.name):
            raise Refusal("no-picture", f"camera {camera.name} has no picture address in the configuration: {by_hand}")
        still = await self.kept.still(camera.name, position.name)
        if still is None:
            raise Refusal("no-still", f"there is no still of {position.name} of camera {camera.name}: {by_hand}")
        here = await camera.read_framing()
        await asyncio.sleep(LATE_SECONDS)
        picture = await self.pictures.now(camera.name, since=asyncio.get_running_loop().time())
        if camera.moving or not alike(await camera.read_framing(), here):
            raise Refusal("moving", f"camera {camera.name} moved while its picture was taken: try again")
        found = await self.pictures.compared(still, picture.jpeg)
        if found is None:
            raise Refusal(
                "unsure",
                f"the picture of camera {camera.name} can't be told to be {position.name}, as its still shows it: "
                f"{by_hand}",
            )
        there = proposed(camera.settings, position, here, found)
        return MatchResult.alike(
            there,
            camera=camera.name,
            position=position.name,
            as_wide=abs(found.larger) > SEEN_SIZE,
            right=round(found.right, 5),
            up=round(found.up, 5),
            larger=round(found.larger, 5),
            roll_deg=round(found.roll_deg, 3),
            sure=round(found.sure, 3),
        )

    @handles(AlignCommand)
    async def align(self, asked: Asked[AlignCommand], camera: Camera) -> AlignResult:
        left_alone = {self.kept.known(camera.name, name).name: "it is to stay as it is" for name in asked.what.leave}
        alignment = self._aligned(camera, left_alone)
        if asked.what.apply:
            await self._apply(camera, alignment)
        return AlignResult.of(alignment, camera.settings, applied=asked.what.apply)

    @handles(UnalignCommand)
    async def unalign(self, asked: Asked[UnalignCommand], camera: Camera) -> UnalignResult:
        names = await self.kept.uncorrect(camera.name)
        self._open.pop(camera.name, None)
        self.changed(camera)
        log.info("positions are as they were before they were aligned", camera=camera.name, positions=names)
        return UnalignResult(positions=names)

    def _aligned(self, camera: Camera, left_alone: Mapping[str, str]) -> Alignment:
        sightings = self._sightings(camera)
        forgotten = ""
        if sightings is None and camera.name in self._open:
            forgotten = " any more: it restarted, was off or fell silent since"
        if sightings is None or not sightings.of:
            raise Refusal(
                "no-sightings",
                f"camera {camera.name} has no sightings{forgotten}; bring it to what a stored position showed, and "
                "sight that position",
            )
        stored = self.kept.arranged(camera.name)
        changed = [name for name, each in sightings.of.items() if not _alike(stored.get(name), each.position)]
        if changed:
            raise Refusal(
                "changed",
                f"{', '.join(changed)} of camera {camera.name} changed since it was sighted: forget that sighting, or "
                "sight it anew",
            )
        later = {
            name: "it was framed since the first sighting"
            for name, position in stored.items()
            if position.framing not in sightings.framings
        }
        return align(camera.settings, stored, [*sightings.of.values()], {**later, **left_alone})

    async def _apply(self, camera: Camera, alignment: Alignment) -> None:
        """Correct all positions in one step, and forget what told how."""
        if alignment.misfits:
            raise Refusal("misfit", f"nothing is corrected: {alignment.sentence}")
        now = self.calendar()
        corrected: Mapping[StoredPosition, StoredPosition] = {
            each.position: replace(each.stored(camera.settings), stored_at=now)
            for each in alignment.positions
            if each.after is not None and each.stored(camera.settings) != each.position
        }
        if not corrected:
            raise Refusal("unchanged", f"every position of camera {camera.name} is as its sightings have it already")
        await self.kept.correct(corrected)
        self._open.pop(camera.name, None)
        self.changed(camera)
        log.info(f"positions are aligned: {alignment.sentence}", camera=camera.name, positions=len(corrected))

    def _sightings(self, camera: Camera) -> _Sightings | None:
        """Those that still hold."""
        sightings = self._open.get(camera.name)
        return None if sightings is None or sightings.generation != camera.contact.generation else sightings

    def _told(self, camera: Camera) -> SightingsResult:
        sightings = self._sightings(camera)
        every = [] if sightings is None else [*sightings.of.values()]
        return SightingsResult(
            camera=camera.name,
            sightings=[SightingMessage.of(each, camera.settings) for each in every],
            next=most_telling(camera.settings, self.kept.positions(camera.name), every) if len(every) == 1 else None,
        )

    def _known(self, camera: Camera, name: str) -> StoredPosition:
        position = self.kept.known(camera.name, name)
        try:
            position.framing_for(camera.settings.dialect)
        except DialectError as error:
            raise Refusal("other-scales", f"{name} of camera {camera.name} can't be sighted: {error}") from None
        return position


def _alike(position: StoredPosition | None, other: StoredPosition) -> bool:
    """Whether a position still has the framing of another, whatever its pace is by now."""
    return position is not None and (position.framing, position.dialect) == (other.framing, other.dialect)
