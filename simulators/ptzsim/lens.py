"""The lens of a simulated camera: zoom and focus, each a motor on a scale of counts."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from ptzd.visca import Dialect

from .axis import Axis
from .truth import FOCUS_SECONDS, LENS_START_SECONDS, Truth

# Shares of the full rate for the speeds 0..7, assumed: protocol.md's sources print the speeds but no rates.
DRIVE_SHARES = (0.08, 0.14, 0.22, 0.32, 0.45, 0.60, 0.80, 1.0)
STANDARD_SPEED = 4  # of a drive command that names none
DIGITAL_TELE_COUNTS = 0x7000  # the far end while digital zoom is on; assumed, above 0x4000
SLIPS = 0.2  # share of the times that a worn gear slips when its motor sets out; assumed
DIGITAL_SPOIL_COUNTS = (2, 3, 4, 5, 6)  # how far off zoom comes back while digital zoom is on


Scene = Callable[[float, float, float], float]
"""What stands before a camera: the focus in counts at which the picture is sharp, from pan and tilt in degrees and zoom
in counts."""


class Lens:
    """Zoom and focus. Positions are computed when asked for."""

    def __init__(self, dialect: Dialect, truth: Truth, rng: random.Random) -> None:
        self._optical_tele_counts = dialect.zoom.tele_counts
        self._rng = rng
        self._last_spoil = 0
        self.digital_zoom = False
        self.autofocus = True
        self.scene: Scene = lambda pan_deg, tilt_deg, zoom_counts: truth.autofocus_counts
        wide, tele = dialect.zoom.wide_counts, dialect.zoom.tele_counts
        self._zoom_play = truth.zoom_play_counts
        self._zoom_slip = truth.zoom_slip_counts
        self._zoom_lag = 0.0  # of the ring, by all that has slipped
        self._zoom_rate = (tele - wide) / truth.zoom_seconds * truth.zoom_speed
        self.zoom = Axis(wide, wide, tele, self._zoom_rate / LENS_START_SECONDS)
        least, most = dialect.focus.least_counts, dialect.focus.most_counts
        self._focus_rate = (most - least) / FOCUS_SECONDS * truth.focus_speed
        self.focus = Axis(truth.autofocus_counts, least, most, self._focus_rate / LENS_START_SECONDS)

    def zoom_counts(self, now: float) -> int:
        """What the camera reports as its zoom position: that of the ring, which lags behind its motor."""
        if not self._zoom_play and not self._zoom_lag:
            return round(self.zoom.position(now))
        play = self.zoom.direction(now) * self._zoom_play / 2
        ring = self.zoom.position(now) - play - self._zoom_lag
        return round(min(max(ring, self.zoom.least), self.zoom.most))

    def focus_counts(self, now: float) -> int:
        """What the camera reports as its focus position."""
        return round(self.focus.position(now))

    def zoom_to(self, now: float, zoom_counts: float) -> None:
        """Zoom direct, which has no speed to choose. With digital zoom on it ends near, never twice the same."""
        if self.digital_zoom:
            spoil = self._last_spoil
            while spoil == self._last_spoil:
                spoil = self._rng.choice(DIGITAL_SPOIL_COUNTS) * self._rng.choice((-1, 1))
            self._last_spoil = spoil
            # An end of the scale would swallow what lies beyond it.
            within = self.zoom.least <= zoom_counts + spoil <= self.zoom.most
            zoom_counts += spoil if within else -spoil
        self._zoom_go(now, zoom_counts, self._zoom_rate)

    def zoom_drive(self, now: float, way: int, speed: int | None) -> None:
        """Zoom until told otherwise: `way` is 1 for tele, -1 for wide; `speed` is 0..7."""
        end = self.zoom.most if way > 0 else self.zoom.least
        self._zoom_go(now, end, self._zoom_rate * _share(speed))

    def _zoom_go(self, now: float, target: float, rate: float) -> None:
        if self._zoom_slip and self._rng.random() < SLIPS:
            self._zoom_lag += math.copysign(self._zoom_slip, target - self.zoom.position(now))
        self.zoom.go(now, target, rate)

    def set_digital_zoom(self, now: float, on: bool) -> None:
        """Digital zoom lies beyond the optical tele end; switched off, the zoom comes back to that end."""
        self.digital_zoom = on
        self.zoom.most = DIGITAL_TELE_COUNTS if on else self._optical_tele_counts
        if self.zoom.position(now) > self.zoom.most:
            self.zoom.go(now, self.zoom.most, self._zoom_rate)

    def focus_to(self, now: float, focus_counts: float) -> None:
        """Focus direct."""
        self.focus.go(now, focus_counts, self._focus_rate)

    def focus_drive(self, now: float, way: int, speed: int | None) -> None:
        """Focus until told otherwise: `way` is 1 for far, -1 for near; `speed` is 0..7."""
        # Published scales grow from infinity towards the lens (FCB-EX1010 technical manual, "Lens control").
        end = self.focus.least if way > 0 else self.focus.most
        self.focus.go(now, end, self._focus_rate * _share(speed))

    def focus_by_itself(self, now: float, pan_deg: float, tilt_deg: float) -> None:
        """Go where the picture is sharp, as in auto focus and at one push, once head and zoom are where they go."""
        zoom_counts = self.zoom.position(self.zoom.ends_at)
        self.focus.go(now, self.scene(pan_deg, tilt_deg, zoom_counts), self._focus_rate)

    def start_up(self, now: float) -> None:
        """Run the zoom over its range once; back in auto focus, digital zoom off."""
        self.autofocus = True
        self.set_digital_zoom(now, False)
        self.focus_by_itself(now, 0.0, 0.0)
        self.zoom.visit(now, [(self.zoom.most, self._zoom_rate), (self.zoom.least, self._zoom_rate)])


def _share(speed: int | None) -> float:
    return DRIVE_SHARES[STANDARD_SPEED if speed is None else speed]
