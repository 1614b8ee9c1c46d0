"""The sums of `ptzd shot`: one picture that somebody wants, with the camera that there is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ptzd.motion import (
    Lens,
    PanningVerdict,
    Sensor,
    angle_of_view_deg,
    judge_panning,
    panning_limit_deg_per_s,
    picture_size_m,
    pixels_per_count,
)
from ptzd.visca import Dialect

SAME_LENGTH = 0.002  # lenses are marked no finer than that


@dataclass(frozen=True, slots=True)
class Kit:
    """What stands there: as much of camera, lens and head as is known."""

    sensor: Sensor
    ends_mm: tuple[float, float] | None
    lens: Lens | None  # where zoom positions are known, too
    zoom_is_estimated: bool
    dialect: Dialect | None
    steps_deg_per_s: Sequence[float]  # of pan; none where no head is known
    steps_are_assumed: bool
    slow_steps_deg_per_s: Sequence[float]  # of pan in slow mode; none where that was not learned
    frame_rate: float
    picture_width_px: int


@dataclass(frozen=True, slots=True)
class View:
    """One picture that is wanted, and what becomes of it with the focal length that is nearest."""

    name: str
    kit: Kit
    wanted_mm: float
    distance_m: float | None

    @property
    def focal_length_mm(self) -> float:
        """The wanted one, or the nearest to it that the lens has."""
        if self.kit.ends_mm is None:
            return self.wanted_mm
        wide, tele = self.kit.ends_mm
        return min(max(self.wanted_mm, wide), tele)

    @property
    def fits(self) -> bool | None:
        """Whether the lens can do it; None where no lens is named."""
        if self.kit.ends_mm is None:
            return None
        return abs(self.wanted_mm - self.focal_length_mm) <= SAME_LENGTH * self.focal_length_mm

    @property
    def angles_deg(self) -> tuple[float, float, float]:
        """Over the width, the height and the diagonal of the picture."""
        sensor = self.kit.sensor
        sides = (sensor.width_mm, sensor.height_mm, sensor.diagonal_mm)
        wide, high, across = (angle_of_view_deg(side, self.focal_length_mm) for side in sides)
        return wide, high, across

    @property
    def picture_m(self) -> tuple[float, float] | None:
        """How wide and how high the picture is where the people are."""
        if self.distance_m is None:
            return None
        sensor = self.kit.sensor
        return (
            picture_size_m(sensor.width_mm, self.focal_length_mm, self.distance_m),
            picture_size_m(sensor.height_mm, self.focal_length_mm, self.distance_m),
        )

    @property
    def zoom_counts(self) -> int | None:
        """Where the zoom has to stand."""
        return None if self.kit.lens is None else self.kit.lens.zoom_counts(self.focal_length_mm)

    @property
    def focus_counts(self) -> int | None:
        """About where the focus has to stand."""
        if self.kit.dialect is None or self.distance_m is None:
            return None
        return self.kit.dialect.focus.counts(self.distance_m)

    @property
    def pixels_per_count(self) -> tuple[float, float] | None:
        """By how many pixels one count of pan, and one of tilt, moves the picture."""
        if self.kit.dialect is None:
            return None
        wide_deg, high_deg, _ = self.angles_deg
        height_px = round(self.kit.picture_width_px * self.kit.sensor.height_mm / self.kit.sensor.width_mm)
        return (
            pixels_per_count(self.kit.dialect.pan.counts_per_degree, wide_deg, self.kit.picture_width_px),
            pixels_per_count(self.kit.dialect.tilt.counts_per_degree, high_deg, height_px),
        )

    @property
    def panning_limit_deg_per_s(self) -> float:
        """The fastest pan that can be watched."""
        return panning_limit_deg_per_s(self.angles_deg[0], self.kit.frame_rate)

    @property
    def panning(self) -> PanningVerdict | None:
        """Which steps of the head can be watched."""
        if not self.kit.steps_deg_per_s:
            return None
        kit = self.kit
        return judge_panning(kit.steps_deg_per_s, self.angles_deg[0], kit.frame_rate, kit.slow_steps_deg_per_s)

    def lens_sentence(self) -> str | None:
        """Return whether the lens can do it, and what else would; None where no lens is named."""
        if self.kit.ends_mm is None:
            return None
        wanted, nearest = self.wanted_mm, self.focal_length_mm
        if self.fits:
            return f"{self.name}: {mm(wanted)}; this lens can do it."
        end = "ends" if wanted > nearest else "begins"
        sentence = f"{self.name}: {mm(wanted)} would be needed; this lens {end} at {mm(nearest)}."
        if self.distance_m is None:
            return sentence
        stand = f"stand {self.distance_m * nearest / wanted:.1f} m away"
        other = f"take a ×{wanted / nearest:.2f} extender" if wanted > nearest else "take a shorter lens"
        return f"{sentence} For that picture {stand}, or {other}."


def mm(focal_length_mm: float) -> str:
    """Return a focal length as people say it: in whole millimetres, or in tenths where it is short."""
    return f"{focal_length_mm:.0f} mm" if focal_length_mm >= 100.0 else f"{round(focal_length_mm, 1):g} mm"
