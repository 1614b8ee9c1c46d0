"""Everything in a show that does not fit, each told once: where a move is at fault in one way, what follows is not.

- A move that can't be made at all (out of reach, at an impossible pace, refused on air) is told as that alone.
- A move off air of a camera that is on air at its standby is told as that: the order of cues says so, whatever the
  gaps are.
- A move that is late is told by who waits for it; the camera's next move is then not blamed for leaving too early.
- What a move needs is a range. It is late where not even the early end is in time, and tight, with its chance, where
  the late end is not.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from ptzd.cameras import locked_by

from .chance import ROUNDING_SECONDS, chance_within
from .moves import SWEEP_SECONDS, Leg, Timetable
from .rehearsed import Conflict, ConflictKind, PlannedMove
from .words import needs_text, percent


def conflicts_of_moves(
    timetable: Timetable, moves: Sequence[tuple[Leg, PlannedMove]], before: PlannedMove | None = None
) -> Iterator[Conflict]:
    """Yield what is wrong with moves of one camera, in their order, without remedies.

    `before` is the last one made before the first of them.
    """
    for leg, move in moves:
        yield from _of_move(timetable, leg, move, before)
        if leg.made:  # what is not made is told as that, and is in nobody's way
            before = move


def conflicts_of_camera(
    timetable: Timetable, camera: str, switches: Sequence[int], first: PlannedMove | None
) -> Iterator[Conflict]:
    """Yield what is wrong with a camera beside its moves, without remedies.

    `switches` are the cues that switch it on, and `first` is its first move.
    """
    yield from _sweeps(timetable, camera, switches)
    yield from _takes_in_sweeps(timetable, camera, switches)
    locks = timetable.company.cameras[camera].locks if camera in timetable.company.cameras else ()
    if locks and first is not None:
        yield _of_cue(
            timetable,
            "locked",
            camera,
            first.cue_index,
            (first.start_seconds, first.settled_seconds),
            f"{camera} is {locked_by(locks)} and makes no move until it is unlocked; "
            "its moves are worked out as though it were",
        )


def _of_move(timetable: Timetable, leg: Leg, move: PlannedMove, before: PlannedMove | None) -> Iterator[Conflict]:
    name = f"{move.camera} to {move.position} for cue {timetable.number(move.cue_index)}"
    unknown = "" if leg.start_known else " (start unknown: from the farthest corner of its reach)"
    if leg.refused is not None:
        if leg.refused.of_framing:
            yield _conflict("out-of-reach", move, f"{name} can't be made: {leg.refused.sentence}")
        else:
            instead = leg.refused.nearest_instead().instead
            yield _conflict("impossible-pace", move, f"{name} can't be made so{unknown}: {instead}")
        return
    if leg.sweep_cue_index is not None:
        yield _conflict(
            "start-up-sweep",
            move,
            f"{name} falls into a start-up sweep: cue {timetable.number(leg.sweep_cue_index)} switches "
            f"{move.camera} on, which answers no recall for about {SWEEP_SECONDS:.0f} s",
        )
        return
    if leg.stands:
        return
    if move.seen and not move.at_go:
        cues = timetable.show.cue
        holder = next((cue for cue in range(move.cue_index - 1, -1, -1) if cues[cue].take == move.camera), None)
        since = "the start of the show" if holder is None else f"cue {timetable.number(holder)}"
        yield _conflict(
            "still-on-air",
            move,
            f"{name} is a move off air, but {move.camera} is on air from {since} until that cue",
        )
        return
    if move.seen and timetable.company.cameras[move.camera].settings.on_air_moves == "refuse":
        yield _conflict(
            "refused-on-air", move, f"{name} is a move on air, and the configuration refuses those for {move.camera}"
        )
        return
    if before is not None:
        yield from _with_the_one_before(timetable, move, before, name)
    yield from _lateness(timetable, leg, move, name)
    verdict = leg.plan.verdict
    if verdict is not None and not verdict.watchable:
        yield _conflict(
            "too-fast-to-watch", move, f"{name} is on air and can't be watched so{unknown}: {verdict.sentence}"
        )


def _lateness(timetable: Timetable, leg: Leg, move: PlannedMove, name: str) -> Iterator[Conflict]:
    """A camera that is taken before it has settled is told as that, whatever else it is too late for."""
    for due in leg.dues:
        taken = due.moment.at(timetable.at_seconds)
        if due.kind == "take" and move.late_end_seconds - taken > ROUNDING_SECONDS:
            how = "in mid-move" if taken < move.arrival_seconds else "while it still settles"
            yield _too_late("taken-unsettled", move, taken, name, f"{name} is taken {how}: it", due.why)
            return
    if move.margin_seconds is None or move.margin_seconds >= -ROUNDING_SECONDS or move.due_kind == "next-move":
        return  # the last is told of the next move, which leaves too early
    assert move.due_seconds is not None
    yield _too_late("late", move, move.due_seconds, name, name, move.due_why or "")


def _too_late(kind: ConflictKind, move: PlannedMove, due: float, name: str, what: str, why: str) -> Conflict:
    has = due - move.start_seconds
    needs = f"it needs {needs_text(move)} and has {has:.2f} s before {why}"
    if move.least_seconds <= has + ROUNDING_SECONDS:
        kind, sentence = "tight", f"{name} is tight: {needs}; {_chance_text(move, due)}"
    else:
        sentence = f"{what} settles {move.settled_seconds - due:.2f} s too late: {needs}"
    return replace(_conflict(kind, move, sentence), from_seconds=due, until_seconds=move.late_end_seconds)


def _chance_text(move: PlannedMove, due: float) -> str:
    if not move.start_known:
        return "nobody knows where it comes from, so that its chance can't be told"
    has = due - move.start_seconds
    chance = chance_within(has, move.needed_seconds, move.least_seconds, move.most_seconds)
    return f"its chance to be in time is {percent(chance)}"


def _with_the_one_before(timetable: Timetable, move: PlannedMove, before: PlannedMove, name: str) -> Iterator[Conflict]:
    earlier = f"{before.position} for cue {timetable.number(before.cue_index)}"
    ends = before.late_end_seconds
    told_as_late = before.due_seconds is not None and before.due_kind != "next-move" and ends > before.due_seconds
    if ends - move.start_seconds > ROUNDING_SECONDS and not told_as_late:
        over = before.settled_seconds - move.start_seconds
        early = before.start_seconds + before.least_seconds - move.start_seconds
        kind: ConflictKind = "overlap"
        sentence = f"{name} leaves {over:.2f} s before the move to {earlier} has settled"
        if early <= ROUNDING_SECONDS:
            kind = "tight"
            has = move.start_seconds - before.start_seconds
            needs = f"it leaves {has:.2f} s after the move to {earlier}, which needs {needs_text(before)}"
            sentence = f"{name} is tight: {needs}; {_chance_text(before, move.start_seconds)}"
        yield replace(_conflict(kind, move, sentence, before), until_seconds=ends)
    elif before.position != move.position and not before.spare:
        leaves = move.cue_index + (1 if move.at_go else 0)
        if not timetable.shows(move.camera, before.cue_index, leaves):
            yield _conflict(
                "wanted-twice",
                move,
                f"cues {timetable.number(before.cue_index)} and {timetable.number(move.cue_index)} both want "
                f"{move.camera}: it is sent away from {before.position} to {move.position} before anybody took it",
                before,
            )


def _sweeps(timetable: Timetable, camera: str, switches: Sequence[int]) -> Iterator[Conflict]:
    for cue in switches:
        at = timetable.at_seconds[cue]
        seen = ", which is on air" if timetable.on_air[cue] == camera else ""
        yield _of_cue(
            timetable,
            "start-up-sweep",
            camera,
            cue,
            (at, at + SWEEP_SECONDS),
            f"cue {timetable.number(cue)} switches {camera} on{seen}: it sweeps its whole range for about "
            f"{SWEEP_SECONDS:.0f} s and answers no recall meanwhile",
        )


def _takes_in_sweeps(timetable: Timetable, camera: str, switches: Sequence[int]) -> Iterator[Conflict]:
    for sweep in switches:
        at = timetable.at_seconds[sweep]
        for cue in timetable.takes.get(camera, ()):
            after = timetable.at_seconds[cue] - at
            if cue <= sweep or after >= SWEEP_SECONDS:
                continue
            yield _of_cue(
                timetable,
                "start-up-sweep",
                camera,
                cue,
                (timetable.at_seconds[cue], at + SWEEP_SECONDS),
                f"cue {timetable.number(cue)} takes {camera} in its start-up sweep, {after:g} s after cue "
                f"{timetable.number(sweep)} has switched it on",
            )


def _conflict(kind: ConflictKind, move: PlannedMove, sentence: str, before: PlannedMove | None = None) -> Conflict:
    """One of a move, and of the one `before` where that has its part in it, for as long as the move lasts."""
    moves = (move.index,) if before is None else (move.index, before.index)
    at = move.start_seconds, move.settled_seconds
    return Conflict(kind, move.camera, move.cue_index, move.cue_number, moves, *at, sentence)


def _of_cue(
    timetable: Timetable, kind: ConflictKind, camera: str, cue: int, lasts: tuple[float, float], sentence: str
) -> Conflict:
    """One of a camera in a cue, beside its moves, from one moment to another."""
    return Conflict(kind, camera, cue, timetable.show.cue[cue].number, (), *lasts, sentence)
