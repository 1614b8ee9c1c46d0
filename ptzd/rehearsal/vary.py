"""How likely each move has settled in time, when the gaps of cues on call turn out longer or shorter than expected.

What a move needs does not depend on the gaps, so that only times are drawn: each gap normally around the expected
one, never below 0. A cue with a time into the show comes at that time, or with the one before it if that is later.
"""

from __future__ import annotations

import random
from collections.abc import Mapping, Sequence
from dataclasses import replace

from ptzd.files import CueTime, ShowFile, cue_times

from .conflicts import ROUNDING_SECONDS
from .moves import Company, Leg, RehearsedCamera, legs_of
from .rehearse import rehearse_with
from .rehearsed import Rehearsal, Variation


def vary(
    show: ShowFile, cameras: Mapping[str, RehearsedCamera], *, share: float = 0.2, runs: int = 500, seed: int = 1
) -> Rehearsal:
    """Rehearse a show with the chance of being ready for each move, from `runs` evenings.

    Each gap on call has `share` of itself as standard deviation. Raises ValueError for a share below 0 or no run.
    """
    if not 0.0 <= share < float("inf"):
        raise ValueError(f"gaps vary by a share of 0 or more, not {share}")
    if runs < 1:
        raise ValueError(f"at least one run is needed, not {runs}")
    company = Company(cameras)
    rehearsal = rehearse_with(show, company)
    chances = _chances(legs_of(show, company), cue_times(show), share, runs, random.Random(seed))
    return replace(
        rehearsal,
        moves=tuple(replace(move, ready_chance=chance) for move, chance in zip(rehearsal.moves, chances, strict=True)),
        varied=Variation(share, runs, seed),
    )


def _chances(legs: Sequence[Leg], times: Sequence[CueTime], share: float, runs: int, rng: random.Random) -> list[float]:
    ready = [0] * len(legs)
    sums = [
        (
            index,
            leg.start.cue_index,
            leg.start.seconds + leg.needed_seconds - ROUNDING_SECONDS,
            [(due.moment.cue_index, due.moment.seconds) for due in leg.dues],
        )
        for index, leg in enumerate(legs)
        if leg.made
    ]
    for _ in range(runs):
        drawn = _drawn(times, share, rng)
        for index, start_cue, needed, dues in sums:
            settled = drawn[start_cue] + needed
            if all(settled <= drawn[cue] + seconds for cue, seconds in dues):
                ready[index] += 1
    return [count / runs for count in ready]


def _drawn(times: Sequence[CueTime], share: float, rng: random.Random) -> list[float]:
    """The times of the cues on one evening, and behind them 0, where the index of the start of the show points to."""
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
