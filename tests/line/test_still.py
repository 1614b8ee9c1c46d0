"""When a camera counts as standing still: by its own readings, over long enough, and by nothing else."""

from __future__ import annotations

import math
from math import cos, exp, pi

import pytest
from rigs import framing

from ptzd.line import Arrival, Standing, Tolerance
from ptzd.visca import Dialect, dialect_names, load_dialect


def is_ever_still(dialect: Dialect, counts: list[int], every_seconds: float) -> bool:
    standing, still = Standing(dialect), False
    for turn, pan in enumerate(counts):
        standing.take(framing(pan), turn * every_seconds)
        still = still or standing.still
    return still


@pytest.mark.parametrize("dialect_name", dialect_names())
def test_the_slowest_step_of_each_dialect_is_seen_to_be_motion(dialect_name: str) -> None:
    never_still_at_the_slowest_step(load_dialect(dialect_name))


def test_the_slowest_step_of_a_head_slower_than_these_is_seen_to_be_motion() -> None:
    dialect = load_dialect("nibble4-14")
    slow = dialect.pan.model_copy(update={"steps_deg_per_s": (0.1, 1.0)})  # one count in 0.7 s
    never_still_at_the_slowest_step(dialect.model_copy(update={"pan": slow}))


def never_still_at_the_slowest_step(dialect: Dialect) -> None:
    for axis in (dialect.pan, dialect.tilt):
        counts_per_s = axis.steps_deg_per_s[0] * axis.counts_per_degree * 0.95  # a slow unit
        for start in range(10):
            counts = [int(start / 10 + counts_per_s * 0.05 * turn) for turn in range(100)]
            assert not is_ever_still(dialect, counts, 0.05)


def test_a_reading_that_flickers_by_one_count_is_of_a_head_that_stands() -> None:
    assert is_ever_still(load_dialect("nibble4-51"), [turn % 2 for turn in range(10)], 0.1)


def test_three_readings_are_too_few_and_so_is_a_quarter_of_a_second() -> None:
    dialect = load_dialect("nibble4-51")
    assert not is_ever_still(dialect, [0, 0, 0], 1.0)
    assert is_ever_still(dialect, [0, 0, 0, 0], 1.0)
    assert not is_ever_still(dialect, [0] * 6, 0.05)


def test_what_is_read_before_a_mount_has_swung_out_does_not_count_however_well_it_agrees() -> None:
    for swings_seconds, still_at in ((0.0, 0.3), (1.0, 1.3)):
        arrival = Arrival(load_dialect("nibble4-51"), framing(0), Tolerance(), swings_seconds)
        arrival.take(framing(0), 4.0)
        arrival.told_its_end(5.0)
        said = []
        for turn in range(40):
            arrival.take(framing(0), 5.0 + 0.05 * turn)
            assert arrival.there
            said.append(arrival.still(5.0 + 0.05 * turn))
        assert said.index(True) == round(still_at / 0.05)


def said_still_at(swing: list[tuple[float, int]], swings_seconds: float | None) -> float:
    arrival = Arrival(load_dialect("nibble4-51"), framing(0), Tolerance(), swings_seconds)
    arrival.told_its_end(0.0)
    for at, pan in swing:
        arrival.take(framing(pan), at)
        if arrival.still(at):
            return at
    return math.inf


@pytest.mark.parametrize(("hertz", "is_missed"), [(0.8, True), (6.0, False)])
def test_how_slowly_a_mount_swings_is_told_by_a_swing_that_is_seen(hertz: float, is_missed: bool) -> None:
    # A·exp(-ζωt)·cos(ωt) with ζ = 0.1. One of 0.8 Hz that hardly is outside any more passes through in 0.3 s.
    missed = []
    for counts in range(8, 30):
        times = [0.03 * turn for turn in range(200)]
        ways = [int(counts * exp(-0.2 * pi * hertz * at) * cos(2 * pi * hertz * at)) for at in times]
        swing = list(zip(times, ways, strict=True))
        last_outside = max(at for at, pan in swing if abs(pan) > 1)
        missed.append(said_still_at(swing, 0.0) < last_outside)
        assert last_outside + 0.3 <= said_still_at(swing, None) < last_outside + 0.75 + 2 * 0.03
    assert any(missed) is is_missed


def test_what_was_read_before_an_order_tells_nothing_of_what_comes_after_it() -> None:
    standing = Standing(load_dialect("nibble4-51"))
    for turn in range(10):
        standing.take(framing(0), 0.1 * turn)
    assert standing.still
    standing.forget()
    standing.take(framing(0), 1.0)
    assert not standing.still
