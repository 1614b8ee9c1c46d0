"""The words in which a rehearsal is told, alike in a terminal, on a page and in JSON."""

from __future__ import annotations

from collections.abc import Iterator

from .rehearsed import PlannedMove, Rehearsal


def percent(chance: float) -> str:
    """Return a chance as it is read. Only what is certain is 100 %, or 0 %."""
    if 0.0 < chance < 0.01:
        return "<1\u00a0%"
    return ">99\u00a0%" if 0.99 < chance < 1.0 else f"{100 * chance:.0f}\u00a0%"


def verdict(rehearsal: Rehearsal) -> str:
    """Return in a sentence whether everything fits."""
    tight = sum(conflict.kind == "tight" for conflict in rehearsal.conflicts)
    unfit = len(rehearsal.conflicts) - tight
    if rehearsal.fits:
        return "Everything fits, but not all figures are measured." if rehearsal.not_measured else "Everything fits."
    more = "" if not tight else "one is tight" if tight == 1 else f"{tight} are tight"
    if not unfit:
        return f"{'One move is' if tight == 1 else f'{tight} moves are'} tight."
    things = "One thing does not fit" if unfit == 1 else f"{unfit} things do not fit"
    return f"{things}{f', {more}' if more else ''}."


def reservations(rehearsal: Rehearsal) -> Iterator[str]:
    """Yield in a sentence each what the figures of a rehearsal rest on without being known."""
    if rehearsal.not_measured:
        yield (
            f"Not measured: {', '.join(rehearsal.not_measured)}. What their moves need is a manual's or assumed; "
            "ptzd learn measures a head."
        )
    unknown = sorted({move.camera for move in rehearsal.moves if not move.start_known})
    if unknown:
        yield (
            f"Start unknown: {', '.join(unknown)}. Until a move has brought it somewhere, a camera may come from the "
            "farthest corner of its reach, or be there already; start in [show] says where each stands."
        )


def doubts(move: PlannedMove) -> list[str]:
    """Return what the figures of a move rest on without being known."""
    unknown = [] if move.start_known else ["start unknown"]
    return unknown if move.head_measured else [*unknown, "not measured"]


def range_text(move: PlannedMove) -> str:
    """Return the range of what a move needs: `2.1–3.4 s`."""
    most = f"{move.most_seconds:.1f}\u00a0s"
    if not move.start_known:
        return f"up\u00a0to\u00a0{most}"
    least = f"{move.least_seconds:.1f}"
    return most if most.startswith(f"{least}\u00a0") else f"{least}\u2013{most}"


def fit_text(move: PlannedMove, *, varied: bool) -> str:
    """Return whether a move fits, with its chance where it is tight, or where gaps and times were `varied`."""
    chance = move.ready_chance
    told = move.fit == "tight" or (varied and move.fit != "unfit")
    return f"{move.fit} {percent(chance)}" if told and chance is not None else move.fit


def needs_text(move: PlannedMove) -> str:
    """Return what a move needs as a part of a sentence, and how far its figures are known: `2.54 s (2.10 to 3.44)`."""
    if not move.start_known:
        return f"up to {move.most_seconds:.2f} s ({', '.join(doubts(move))})"
    apart = move.most_seconds - move.least_seconds >= 0.005
    told = [f"{move.least_seconds:.2f} to {move.most_seconds:.2f}", *doubts(move)] if apart else doubts(move)
    return f"{move.needed_seconds:.2f} s" + (f" ({', '.join(told)})" if told else "")
