"""The sums of `ptzd aim`: where a camera of a plan must look for one shot, with what lens, and what is sharp then."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from ptzd.cameras import CameraSettings, Optics
from ptzd.files import StagePlan, WantedShot
from ptzd.line import Framing, out_of_reach
from ptzd.motion import (
    SHOT_HEIGHT_M,
    Shot,
    aimed_at,
    angle_of_view_deg,
    depth_of_field_m,
    focal_length_for_picture_mm,
    hyperfocal_m,
)
from ptzd.motion.aiming import Point
from ptzd.positions import StoredPosition

from .shot_sums import SAME_LENGTH, mm

PERSON_M = 1.75  # how tall people are taken to be
ROOM_M = 0.15  # left free above a head (common practice)
WIDE_LOOK_M = 1.2  # of a group: about the middle of people who stand (assumed)
NEAREST_M = 0.3


@dataclass(frozen=True, slots=True)
class Aimed:
    """One shot of a plan, and how it can be had."""

    shot: WantedShot
    seen: str  # how large, in words
    eye: Point
    thing: Point  # what is in the middle of the picture
    pan_deg: float
    tilt_deg: float
    distance_m: float
    wanted_mm: float
    focal_length_mm: float  # the nearest that the lens has
    view_deg: tuple[float, float]  # how wide and how high the picture is
    sharp_m: tuple[float, float] | None  # from where to where; None without an aperture
    hyperfocal_m: float | None
    framing: Framing
    beyond: str | None  # why the head can't look there

    @property
    def fits(self) -> bool:
        """Whether the lens has the focal length that the shot needs."""
        return abs(self.wanted_mm - self.focal_length_mm) <= SAME_LENGTH * self.focal_length_mm

    @property
    def sentence(self) -> str | None:
        """What keeps the shot from being had as it is wanted."""
        if self.beyond is not None:
            return self.beyond
        if self.fits:
            return None
        end = "ends" if self.wanted_mm > self.focal_length_mm else "begins"
        larger = "smaller" if self.wanted_mm > self.focal_length_mm else "larger"
        times = max(self.wanted_mm, self.focal_length_mm) / min(self.wanted_mm, self.focal_length_mm)
        needed = f"{mm(self.wanted_mm)} would be needed, and the lens {end} at {mm(self.focal_length_mm)}"
        return f"{needed}: all is ×{times:.2f} {larger}"

    def position(self, plan: StagePlan, settings: CameraSettings, now: datetime) -> StoredPosition:
        """Return what is to be stored of it, as provisional."""
        return StoredPosition(
            camera=settings.name,
            name=self.shot.position,
            framing=self.framing,
            dialect=settings.dialect.name,
            speed=None,
            seconds=None,
            note=f"Reckoned from the plan {plan.plan.name}: {self.seen} of {self.shot.mark}.",
            stored_at=now,
            scales=settings.dialect.scales,
            provisional=True,
        )


def aim(plan: StagePlan, shot: WantedShot, settings: CameraSettings, optics: Optics) -> Aimed:
    """Return how a shot of a plan can be had. Raises ValueError for a mark that lies where the camera is."""
    place, mark = plan.camera[shot.camera], plan.mark[shot.mark]
    size, width_m, look_m = plan.seen(shot)
    if size is not None:
        seen, picture_m, side_mm = size, SHOT_HEIGHT_M[Shot(size)], optics.sensor.height_mm
        middle_m = PERSON_M + ROOM_M - picture_m / 2.0
    else:
        assert width_m is not None  # by the reading of the plan
        seen, picture_m, side_mm, middle_m = f"{width_m:g} m", width_m, optics.sensor.width_mm, WIDE_LOOK_M
    thing = (*mark.place_m, mark.floor_m + (middle_m if look_m is None else look_m))
    pan_deg, tilt_deg, distance_m = aimed_at(place.place_m, place.facing_deg, thing)
    if distance_m < NEAREST_M:
        raise ValueError(f"mark {shot.mark} lies where camera {shot.camera} is: see whether both places are right")
    wanted_mm = focal_length_for_picture_mm(side_mm, distance_m, picture_m)
    focal_mm = min(max(wanted_mm, optics.lens.wide_mm), optics.lens.tele_mm)
    aperture = place.aperture or plan.plan.aperture
    dialect = settings.dialect
    framing = Framing(
        dialect.pan.counts(pan_deg),
        dialect.tilt.counts(tilt_deg),
        optics.lens.zoom_counts(focal_mm),
        dialect.focus.counts(distance_m),
        "auto",
    )
    beyond = out_of_reach(dialect, framing)
    if beyond is None and settings.window is not None:
        beyond = settings.window.leaves_out(dialect, framing)
    circle_mm = plan.plan.circle_mm
    return Aimed(
        shot,
        seen,
        place.place_m,
        thing,
        pan_deg,
        tilt_deg,
        distance_m,
        wanted_mm,
        focal_mm,
        (
            angle_of_view_deg(optics.sensor.width_mm, focal_mm),
            angle_of_view_deg(optics.sensor.height_mm, focal_mm),
        ),
        None if aperture is None else depth_of_field_m(focal_mm, aperture, circle_mm, distance_m),
        None if aperture is None else hyperfocal_m(focal_mm, aperture, circle_mm),
        framing,
        beyond,
    )
