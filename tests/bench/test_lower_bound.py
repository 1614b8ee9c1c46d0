"""The bound of the bench, against moves made up at random: none of them may be smoother than it says."""

from __future__ import annotations

import random

import numpy as np
import pytest
from bench.lower_bound import AxisMove, Floats, farthest, least_jolt
from bench.shaped_moves import SAMPLE_SECONDS, largest_change

from ptzd.visca import load_dialect

ACCELERATION = 120.0


def made_up(speeds: tuple[float, ...], seconds: float, rng: random.Random) -> Floats:
    """The speed of one axis at every sample, up through some of its steps and down again, at rest at both ends."""
    steps = sorted(rng.sample(range(min(len(speeds), 16)), rng.randint(1, 5)))
    times = sorted(rng.uniform(0.0, 0.4 * seconds) for _ in steps)
    times[0] = 0.0
    samples = np.arange(0.0, seconds + SAMPLE_SECONDS, SAMPLE_SECONDS)
    wanted = np.zeros_like(samples)
    for step, at in zip(steps, times, strict=True):
        wanted[samples >= at] = speeds[step]
    gain, speed = ACCELERATION * SAMPLE_SECONDS, [0.0]
    for each in np.minimum(wanted, wanted[::-1])[:-1].tolist():
        speed.append(min(max(each, speed[-1] - gain), speed[-1] + gain))
    return np.array(speed)


@pytest.mark.parametrize("seed", range(150))
def test_no_move_is_smoother_than_the_bound(seed: int) -> None:
    rng = random.Random(seed)
    dialect = load_dialect(rng.choice(("nibble4-51", "nibble4-14")))
    seconds = rng.uniform(2.0, 10.0)
    tables = [dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s][: rng.choice((1, 2))]
    speeds = np.stack([made_up(table, seconds, rng) for table in tables])
    taken = SAMPLE_SECONDS * int((speeds.max(axis=0) > 0.0).sum())
    axes = [
        AxisMove(table, ACCELERATION, float(speed.sum() * SAMPLE_SECONDS))
        for table, speed in zip(tables, speeds, strict=True)
    ]
    assert least_jolt(axes, taken + 2 * SAMPLE_SECONDS) <= largest_change(speeds) * 1.001


def test_a_table_of_equal_gaps_is_climbed_once_in_each_window() -> None:
    # By hand: 1°/s more every 0.2 s, 3°/s from 0.4 s on; in 4 s that is 3 · 4 less 2 · (1 · 0.2 + 1 · 0.4), and the
    # way down begins as much earlier as it ramps: 3 · 1/120 for three ramps of 1/120 s, half of it on either side.
    axis = AxisMove((1.0, 2.0, 3.0), ACCELERATION, 1.0)
    assert farthest(axis, 1.0, 4.0) == pytest.approx(12.0 - 1.2 - 3.0 / 120.0, abs=1e-3)


def test_two_axes_stop_from_their_slowest_steps_at_once() -> None:
    axes = [AxisMove((1.0, 2.0), ACCELERATION, 5.0), AxisMove((1.0, 2.0), ACCELERATION, 5.0)]
    assert least_jolt(axes, 10.0) == pytest.approx(2.0**0.5)


def test_an_axis_that_stands_is_no_part_of_the_bound() -> None:
    moving, standing = AxisMove((1.0, 2.0), ACCELERATION, 5.0), AxisMove((1.0, 2.0), ACCELERATION, 0.0)
    assert least_jolt([moving, standing], 10.0) == 1.0
    assert least_jolt([standing], 10.0) == 0.0
