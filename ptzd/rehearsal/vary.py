"""How likely each move has settled in time, when the gaps of cues on call turn out longer or shorter than expected.

What a move needs does not depend on the gaps, so that only times are drawn: each gap normally around the expected
one, never below 0, and what each move takes from its range (see `chance`). A cue with a time into the show comes at
that time, or with the one before it if that is later.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf

from ptzd.files import CueTime, ShowFile, cue_times

from .chance import ROUNDING_SECONDS, drawn_seconds
from .going import Going
from .moves import Company, Leg, RehearsedCamera
from .rehearse import rehearsed
from .rehearsed import Rehearsal, Variation


def vary(show: ShowFile, cameras: Mapping[str, RehearsedCamera], *, share: float, runs: int, seed: int) -> Rehearsal:
    """Rehearse a show with the chance of being ready for each move, from `runs` evenings.

    Each gap on call has `share` of itself as standard deviation. Raises ValueError for a share below 0 or no run.
    """
    if not 0.0 <= share < float("inf"):
        raise ValueError(f"gaps vary by a share of 0 or more, not {share}")
    if runs < 1:
        raise ValueError(f"at least one run is needed, not {runs}")
    going = Going.through(show, Company(cameras))
    rehearsal = rehearsed(going)
    chances = _chances(going.legs, cue_times(show), share, runs, random.Random(seed))
    return replace(
        rehearsal,
        moves=tuple(replace(move, ready_chance=chance) for move, chance in zip(rehearsal.moves, chances, strict=True)),
        varied=Variation(share, runs, seed),
    )


def _chances(
    legs: Sequence[Leg], times: Sequence[CueTime], share: float, runs: int, rng: random.Random
) -> list[float | None]:
    ready, surely, perhaps = [0] * len(legs), [0] * len(legs), [0] * len(legs)
    sums = [
        (
            index,
            leg,
            leg.start.cue_index,
            leg.start.seconds - ROUNDING_SECONDS,
            [(due.moment.cue_index, due.moment.seconds) for due in leg.dues],
        )
        for index, leg in enumerate(legs)
        if leg.made
    ]
    for _ in range(runs):
        drawn = _drawn(times, share, rng)
        for index, leg, start_cue, delay, dues in sums:
            starts = drawn[start_cue] + delay
            has = min((drawn[cue] + seconds for cue, seconds in dues), default=inf) - starts
            ready[index] += drawn_seconds(leg.needed_seconds, leg.least_seconds, leg.most_seconds, rng) <= has
            surely[index] += leg.most_seconds <= has
            perhaps[index] += leg.least_seconds <= has
    return [_share(leg, runs, *counts) for leg, *counts in zip(legs, ready, surely, perhaps, strict=True)]


def _share(leg: Leg, runs: int, ready: int, surely: int, perhaps: int) -> float | None:
    """The share of evenings: all only where the late end was in time in all, none only where no early end was."""
    if surely == perhaps:
        return surely / runs
    return min(max(ready, 0.5), runs - 0.5) / runs if leg.start_known else None


def _drawn(times: Sequence[CueTime], share: float, rng: random.Random) -> list[float]:
    """The times of the cues on one timetable, and behind them 0, where the index of the start of the show points to."""
    drawn: list[float] = []
    now = 0.0
    for time in times:
        if time.fixed:
            now = max(now, time.at_seconds)
        elif time.on_call:
            now += max(0.0, rng.gauss(time.gap_seconds, share * time.gap_seconds))
        else:
            now += time.gap_seconds
        drawn.append(now)
    drawn.append(0.0)
    return drawn
