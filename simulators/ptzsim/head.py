"""The pan-tilt head of a simulated camera, as it truly moves: nothing in here is shared with a planner's model.

Degrees: pan to the right and tilt upwards are positive, 0 is home. Three different answers to "where does it
point" matter, and a controller over the wire only ever hears the first:

- `pan_counts`: what the encoder reports, in whole counts;
- `pan_deg`: where the motor's shaft is;
- `picture_pan_deg`: where the picture looks, with the play of the gear and the swing of the mount.
"""

from __future__ import annotations

import math
import random

from ptzd.visca import AxisScale, Dialect

from .axis import Axis, sweep_speed
from .mount import Mount
from .truth import Truth

SLOW_MODE_SHARE = 0.25  # of the speed table while slow mode is on; assumed
RAMP_CURVE_SHARES = (1.0, 0.6, 0.35)  # of the acceleration for ramp curves 1 (the sharpest) to 3; assumed


class _Side:
    """One direction of the head: pan or tilt."""

    def __init__(
        self,
        scale: AxisScale,
        mount: Mount,
        *,
        speed_share: float,
        acceleration_deg_per_s2: float,
        backlash_deg: float,
        parked_deg: float,
        braking: float,
        s_ramps: bool,
        step_shares: tuple[float, ...],
    ) -> None:
        self.scale = scale
        self._mount = mount
        self._backlash_deg = backlash_deg
        self._speed_share = speed_share
        self._sharpest_deg_per_s2 = acceleration_deg_per_s2
        self._slow = 1.0
        self.least_deg = scale.degrees(scale.least_counts)
        self.most_deg = scale.degrees(scale.most_counts)
        self._step_shares = step_shares or (1.0,) * scale.fastest_step
        self.axis = Axis(
            parked_deg, self.least_deg, self.most_deg, acceleration_deg_per_s2, braking=braking, s_ramps=s_ramps
        )

    def top_speed(self, step: int) -> float:
        """Degrees per second of this unit at a step of the table; steps beyond the table mean its last."""
        index = min(max(step, 1), self.scale.fastest_step) - 1
        return self.scale.steps_deg_per_s[index] * self._step_shares[index] * self._speed_share * self._slow

    def ramp(self, curve: int) -> None:
        self.axis.acceleration = self._sharpest_deg_per_s2 * RAMP_CURVE_SHARES[curve - 1]

    def slow(self, on: bool) -> None:
        self._slow = SLOW_MODE_SHARE if on else 1.0

    def go(self, now: float, target_deg: float, step: int) -> None:
        self.axis.go(now, target_deg, self.top_speed(step))

    def drive(self, now: float, way: int, step: int) -> None:
        if way:
            self.go(now, self.axis.most if way > 0 else self.axis.least, step)
        else:
            self.axis.stop(now)

    def sweep(self, now: float, seconds: float) -> None:
        """Find both ends and come home in about `seconds`."""
        here = self.axis.position(now)
        stops = (self.least_deg, self.most_deg, 0.0)
        way = sum(abs(b - a) for a, b in zip((here, *stops), stops, strict=False))
        speed = sweep_speed(way, len(stops), seconds, self.axis.acceleration)
        self.axis.visit(now, [(stop, speed) for stop in stops])

    def swing_deg(self, now: float) -> float:
        return self._mount.swing_deg(self.axis.last_stop(now), now)

    def picture_deg(self, now: float) -> float:
        play = self.axis.direction(now) * self._backlash_deg / 2
        return self.axis.position(now) - play + self.swing_deg(now)

    def counts(self, now: float) -> int:
        shaft = self.scale.counts(self.axis.position(now))
        # The play of the gear swallows a swing of less than a count before it reaches the encoder.
        swing = math.trunc(self.swing_deg(now) * self.scale.counts_per_degree)
        return min(max(shaft + swing, self.scale.least_counts), self.scale.most_counts)


class Head:
    """Pan and tilt. Positions are computed when asked for, so a head at rest costs nothing."""

    def __init__(self, dialect: Dialect, truth: Truth, mount: Mount, rng: random.Random) -> None:
        """A head that was left somewhere, without power; `start_up` or `wake_at_home` comes next."""
        self._truth = truth
        self._pan = _Side(
            dialect.pan,
            mount,
            speed_share=truth.pan_speed,
            acceleration_deg_per_s2=truth.pan_acceleration_deg_per_s2,
            backlash_deg=truth.pan_backlash_deg,
            parked_deg=rng.uniform(-90.0, 90.0),
            braking=truth.pan_braking,
            s_ramps=truth.s_ramps,
            step_shares=truth.pan_steps,
        )
        self._tilt = _Side(
            dialect.tilt,
            mount,
            speed_share=truth.tilt_speed,
            acceleration_deg_per_s2=truth.tilt_acceleration_deg_per_s2,
            backlash_deg=truth.tilt_backlash_deg,
            parked_deg=rng.uniform(-15.0, 60.0),
            braking=truth.tilt_braking,
            s_ramps=truth.s_ramps,
            step_shares=truth.tilt_steps,
        )
        self.ready_at = math.inf  # when start-up is over
        self.asked_to_move = False
        self.in_slow_mode = False
        self.pan_fault = False  # "position not detected"; set these to see who notices
        self.tilt_fault = False

    # Where it is

    def pan_deg(self, now: float) -> float:
        """Where the pan motor's shaft is."""
        return self._pan.axis.position(now)

    def tilt_deg(self, now: float) -> float:
        """Where the tilt motor's shaft is."""
        return self._tilt.axis.position(now)

    @property
    def aim_deg(self) -> tuple[float, float]:
        """Where pan and tilt come to rest, if nobody tells them otherwise."""
        pan, tilt = self._pan.axis, self._tilt.axis
        return pan.position(pan.ends_at), tilt.position(tilt.ends_at)

    def pan_counts(self, now: float) -> int:
        """What the encoder reports."""
        return self._pan.counts(now)

    def tilt_counts(self, now: float) -> int:
        """What the encoder reports."""
        return self._tilt.counts(now)

    def picture_pan_deg(self, now: float) -> float:
        """Where the picture looks: the shaft, less the play of the gear, plus the swing of the mount."""
        return self._pan.picture_deg(now)

    def picture_tilt_deg(self, now: float) -> float:
        """Where the picture looks: the shaft, less the play of the gear, plus the swing of the mount."""
        return self._tilt.picture_deg(now)

    def pan_deg_per_s(self, now: float) -> float:
        """How fast the pan motor turns; to the right is positive."""
        return self._pan.axis.velocity(now)

    def tilt_deg_per_s(self, now: float) -> float:
        """How fast the tilt motor turns; upwards is positive."""
        return self._tilt.axis.velocity(now)

    def moving(self, now: float) -> bool:
        """Whether a motor turns."""
        return now < self.ends_at

    @property
    def ends_at(self) -> float:
        """When both motors are at rest, if nobody tells them otherwise."""
        return max(self._pan.axis.ends_at, self._tilt.axis.ends_at)

    def driven_until(self, now: float) -> float:
        """When a motor last began to slow down to the rest that it is at: minus infinity for a head that never moved.

        While a motor turns, nobody knows yet: `now`.
        """
        if self.moving(now):
            return now
        stops = [stop for side in (self._pan, self._tilt) if (stop := side.axis.last_stop(now)) is not None]
        return max((stop.at - stop.speed / stop.deceleration for stop in stops), default=-math.inf)

    def starting(self, now: float) -> bool:
        """Whether it is looking for its ends."""
        return now < self.ready_at

    def at_ends(self, now: float) -> tuple[bool, bool, bool, bool]:
        """Whether it stands at its left, right, upper, lower end; a limit that was set is an end."""
        pan, tilt = self._pan.axis, self._tilt.axis
        pan_deg, tilt_deg = pan.position(now), tilt.position(now)
        return pan_deg <= pan.least, pan_deg >= pan.most, tilt_deg >= tilt.most, tilt_deg <= tilt.least

    # Where it is told to go

    def go_to(self, now: float, pan_deg: float, tilt_deg: float, pan_step: int, tilt_step: int) -> None:
        """Go to an absolute position; one beyond an end means that end."""
        self.asked_to_move = True
        self._pan.go(now, pan_deg, pan_step)
        self._tilt.go(now, tilt_deg, tilt_step)

    def stop_and_go_to(self, now: float, pan_deg: float, tilt_deg: float, pan_step: int, tilt_step: int) -> None:
        """Bring both motors to rest first, then go to an absolute position; one beyond an end means that end."""
        self.asked_to_move = True
        rests_at = now + max(side.axis.seconds_to_brake(now) for side in (self._pan, self._tilt))
        for side, target_deg, step in ((self._pan, pan_deg, pan_step), (self._tilt, tilt_deg, tilt_step)):
            side.axis.stop_and_go(now, rests_at, target_deg, side.top_speed(step))

    def drive(self, now: float, pan: int, tilt: int, pan_step: int, tilt_step: int) -> None:
        """Go until told otherwise; `pan` and `tilt` are 1, -1, or 0 for an axis that is to stop."""
        self.asked_to_move = True
        self._pan.drive(now, pan, pan_step)
        self._tilt.drive(now, tilt, tilt_step)

    def stop(self, now: float) -> None:
        """Slow both motors down at once, at the head's own deceleration."""
        self._pan.axis.stop(now)
        self._tilt.axis.stop(now)

    def limit_up_right(self, pan_deg: float, tilt_deg: float) -> None:
        """Draw the right and the upper end in; it holds from the next command on. `inf` gives the range back."""
        self._pan.axis.most = min(pan_deg, self._pan.most_deg)
        self._tilt.axis.most = min(tilt_deg, self._tilt.most_deg)

    def limit_down_left(self, pan_deg: float, tilt_deg: float) -> None:
        """Draw the left and the lower end in; it holds from the next command on. `-inf` gives the range back."""
        self._pan.axis.least = max(pan_deg, self._pan.least_deg)
        self._tilt.axis.least = max(tilt_deg, self._tilt.least_deg)

    def ramp(self, curve: int) -> None:
        """Choose how sharply it accelerates from the next rest on: 1 is the sharpest, 3 the softest."""
        self._pan.ramp(curve)
        self._tilt.ramp(curve)

    def slow(self, on: bool) -> None:
        """Turn slow mode on or off for the commands to come."""
        self.in_slow_mode = on
        self._pan.slow(on)
        self._tilt.slow(on)

    def start_up(self, now: float) -> None:
        """Sweep the whole range, end at home. Nothing else can be asked of the head until then."""
        seconds = self._truth.startup_seconds
        for side in (self._pan, self._tilt):
            side.axis.least, side.axis.most = side.least_deg, side.most_deg
            side.sweep(now, seconds)
        self.ready_at = max(now + seconds, self.ends_at)
        self.asked_to_move = False

    def wake_at_home(self, now: float) -> None:
        """Stand at home, ready, as if start-up had been long ago."""
        for side in (self._pan, self._tilt):
            side.axis.place(0.0)
        self.ready_at = now
