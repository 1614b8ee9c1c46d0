"""What a camera shows after a recall, held against the still of the position: told, never corrected unasked.

A position that came without a still, from a text, gets one as soon as its camera has settled in it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import structlog

from ptzd.bus import Bus
from ptzd.bus.messages import DriftMessage, TrimMessage
from ptzd.cameras import Camera, CameraSettings, MoveReport, Phase
from ptzd.line import Landing
from ptzd.motion import angle_of_view_deg
from ptzd.pictures import Pictures, Similarity
from ptzd.positions import PositionStore, StoredPosition
from ptzd.refusal import Refusal

from .seen import LATE_SECONDS, Seen

SEEN_SHIFT = 2 / 640  # of the width; twice what shifts are off where all people have moved (tests/drawn_drifts.py)
SEEN_SIZE = 0.006  # as much
SEEN_ROLL_DEG = 0.3
PLAY_COUNTS = 1.0  # what rounding and the play of the gear explain beside how far off the head itself says it landed
UNKNOWN_SHIFT = 0.01  # what these explain where nobody knows how wide the picture is

log = structlog.get_logger()


@dataclass(eq=False, frozen=True, kw_only=True)
class Drift:
    """Looks at a camera after each recall that has settled, where there is a picture; against a still off air alone."""

    cameras: Mapping[str, Camera]
    pictures: Pictures
    kept: PositionStore
    seen: Seen
    say_positions: Callable[[str], None]
    bus: Bus
    calendar: Callable[[], datetime]
    spawn: Callable[[Coroutine[Any, Any, None]], None]

    def heard(self, report: MoveReport) -> None:
        """Take note of a phase of a move. Returns at once."""
        if report.phase is not Phase.SETTLED or report.position is None or not self.pictures.has(report.camera):
            return
        camera, position = self.cameras[report.camera], self.kept.position(report.camera, report.position)
        if position is None or report.landing is None:
            return
        if position.still is None:
            self.spawn(self._keep_first(camera, position))
        elif not camera.on_air:
            self.spawn(self._look(camera, position, position.still, report.landing))

    async def _keep_first(self, camera: Camera, position: StoredPosition) -> None:
        try:
            framing = camera.state().framing
            if framing is None or not self._stands(camera, position):
                return
            still = await self.seen.still_standing(camera, framing)
            if self._stands(camera, position) and await self.kept.keep_still(position, still):
                self.say_positions(camera.name)
        except Refusal as refusal:
            log.info("no still was kept", camera=camera.name, position=position.name, why=refusal.sentence)
        except Exception:  # a mistake in here must end nothing that moves cameras
            log.exception("a still could not be kept", camera=camera.name, position=position.name)

    async def _look(self, camera: Camera, position: StoredPosition, still: int, landing: Landing) -> None:
        try:
            await asyncio.sleep(LATE_SECONDS)
            if not self._stands(camera, position):
                return
            picture = await self.pictures.now(camera.name, since=asyncio.get_running_loop().time())
            if not self._stands(camera, position):
                return
            kept = await self.kept.still(camera.name, position.name)
            found = None if kept is None else await self.pictures.compared(kept, picture.jpeg)
            if found is not None and self._stands(camera, position):
                self._tell(camera, position, still, landing, found)
        except Refusal as refusal:  # no picture: that is told to who wants to see it
            log.info("not held against its still", camera=camera.name, position=position.name, why=refusal.sentence)
        except Exception:  # a mistake in here must end nothing that moves cameras
            log.exception("a picture could not be held against its still", camera=camera.name, position=position.name)

    def _stands(self, camera: Camera, position: StoredPosition) -> bool:
        """Whether a camera stands in this very position, as it was stored."""
        return (
            not camera.moving
            and camera.state().position == position.name
            and self.kept.position(camera.name, position.name) == position
        )

    def _tell(self, camera: Camera, position: StoredPosition, still: int, landing: Landing, found: Similarity) -> None:
        changes, causes = changes_of(camera.settings, position, landing, found)
        sentence = None
        if changes:
            sentence = (
                f"what camera {camera.name} shows in {position.name} has drifted since it was stored, "
                f"{', '.join(changes)}: {' and '.join(causes)} ({found.sure:.0%} of the picture agrees)"
            )
            log.warning(sentence, camera=camera.name, position=position.name)
        trim = TrimMessage(right=round(found.right, 5), up=round(found.up, 5), tighter=round(-found.larger, 5))
        message = DriftMessage(
            camera=camera.name,
            position=position.name,
            still=still,
            drifted=bool(changes),
            right=round(found.right, 5),
            up=round(found.up, 5),
            larger=round(found.larger, 5),
            roll_deg=round(found.roll_deg, 3),
            sure=round(found.sure, 3),
            sentence=sentence,
            trim=trim if changes else None,
            as_of=self.calendar(),
        )
        self.bus.publish(self.bus.topics.of(DriftMessage, camera.name), message.encode())


def changes_of(
    settings: CameraSettings, position: StoredPosition, landing: Landing, found: Similarity
) -> tuple[list[str], list[str]]:
    """Return what has changed by more than the head's own steps explain, in words, and what that may come from."""
    allowed_right, allowed_up, allowed_size = _explained(settings, position, landing)
    changes, causes = [], []
    shifted = abs(found.right) > allowed_right or abs(found.up) > allowed_up
    if shifted:
        across, upwards = round(abs(found.right) * 1920), round(abs(found.up) * 1080)
        ways = ((across, "right" if found.right > 0 else "left"), (upwards, "up" if found.up > 0 else "down"))
        changes += [f"{pixels} px {way}" for pixels, way in ways if pixels]
        changes[-1] += " (of 1920 × 1080)"
    if abs(found.larger) > allowed_size:
        changes.append(f"{abs(found.larger):.1%} {'tighter' if found.larger > 0 else 'wider'}".replace("%", " %"))
        causes.append("the zoom ring may have slipped")
    if abs(found.roll_deg) > SEEN_ROLL_DEG:
        changes.append(f"turned by {abs(found.roll_deg):.1f}°")
        causes.append("it may hang askew")
    if shifted and not causes:
        causes.append("the head or its mount may have been knocked")
    return changes, causes


def _explained(settings: CameraSettings, position: StoredPosition, landing: Landing) -> tuple[float, float, float]:
    """How much further right, up and larger a picture may be without anything having slipped."""
    dialect, optics = settings.dialect, settings.optics
    if optics is None:
        return (
            SEEN_SHIFT + UNKNOWN_SHIFT,
            SEEN_SHIFT + UNKNOWN_SHIFT * 16 / 9,
            SEEN_SIZE + abs(landing.zoom_counts) * 1e-3,
        )
    zoom = position.framing_for(dialect).zoom_counts
    focal_mm = optics.lens.focal_length_mm(zoom)
    wide = angle_of_view_deg(optics.sensor.width_mm, focal_mm)
    high = angle_of_view_deg(optics.sensor.height_mm, focal_mm)
    off = abs(landing.zoom_counts) + 1
    growth = abs(optics.lens.focal_length_mm(zoom + off) - optics.lens.focal_length_mm(zoom - off)) / 2 / focal_mm
    return (
        SEEN_SHIFT + (abs(landing.pan_counts) + PLAY_COUNTS) / dialect.pan.counts_per_degree / wide,
        SEEN_SHIFT + (abs(landing.tilt_counts) + PLAY_COUNTS) / dialect.tilt.counts_per_degree / high,
        SEEN_SIZE + growth,
    )
