"""Everything in a show that does not fit, each told once: where a move is at fault in one way, what follows is not.

- A move that can't be made at all (out of reach, at an impossible pace, refused on air) is told as that alone.
- A move off air of a camera that is on air at its standby is told as that: the order of cues says so, whatever the
  gaps are.
- A move that is late is told by who waits for it; the camera's next move is then not blamed for leaving too early.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ptzd.cameras import locked_by
from ptzd.files import number_text

from .moves import SWEEP_SECONDS, Company, Leg
from .rehearsed import Conflict, ConflictKind, PlannedMove, RehearsedCue

# Sums of times are not exact to the last bit; nothing a head does is known to a thousandth of a second.
ROUNDING_SECONDS = 1e-6


def conflicts_of(
    company: Company, cues: Sequence[RehearsedCue], legs: Sequence[Leg], moves: Sequence[PlannedMove]
) -> list[Conflict]:
    """Return all conflicts in the order of their times, without remedies."""
    found = [*_sweeps(cues), *_takes_in_sweeps(cues), *_locks(company, moves)]
    last: dict[str, PlannedMove] = {}
    for leg, move in zip(legs, moves, strict=True):
        before = last.get(move.camera)
        found += _of_move(company, cues, leg, move, before)
        if leg.made:  # what is not made is told as that, and is in nobody's way
            last[move.camera] = move
    return sorted(found, key=lambda conflict: (conflict.from_seconds, conflict.cue_index))


def _of_move(
    company: Company,
    cues: Sequence[RehearsedCue],
    leg: Leg,
    move: PlannedMove,
    before: PlannedMove | None,
) -> Iterator[Conflict]:
    name = f"{move.camera} to {move.position} for cue {number_text(move.cue_number)}"
    if leg.refused is not None:
        if leg.refused.of_framing:
            yield _conflict("out-of-reach", move, f"{name} can't be made: {leg.refused.sentence}")
        else:
            instead = leg.refused.nearest_instead().instead
            yield _conflict("impossible-pace", move, f"{name} can't be made so: {instead}")
        return
    if leg.sweep_cue_index is not None:
        sweep = cues[leg.sweep_cue_index]
        yield _conflict(
            "start-up-sweep",
            move,
            f"{name} falls into a start-up sweep: cue {number_text(sweep.number)} switches {move.camera} on, which "
            f"answers no recall for about {SWEEP_SECONDS:.0f} s",
        )
        return
    if leg.stands:
        return
    if move.seen and not move.at_go:
        holder = next((cue for cue in reversed(cues[: move.cue_index]) if cue.take == move.camera), None)
        since = "the start of the show" if holder is None else f"cue {number_text(holder.number)}"
        yield _conflict(
            "still-on-air",
            move,
            f"{name} is a move off air, but {move.camera} is on air from {since} until that cue",
        )
        return
    if move.seen and company.cameras[move.camera].settings.on_air_moves == "refuse":
        yield _conflict(
            "refused-on-air", move, f"{name} is a move on air, and the configuration refuses those for {move.camera}"
        )
        return
    if before is not None:
        yield from _with_the_one_before(cues, move, before, name)
    yield from _lateness(cues, leg, move, name)
    verdict = leg.plan.verdict
    if verdict is not None and not verdict.watchable:
        yield _conflict("too-fast-to-watch", move, f"{name} is on air and can't be watched so: {verdict.sentence}")


def _lateness(cues: Sequence[RehearsedCue], leg: Leg, move: PlannedMove, name: str) -> Iterator[Conflict]:
    """A camera that is taken before it has settled is told as that, whatever else it is too late for."""
    cue_seconds = [cue.at_seconds for cue in cues]
    for due in leg.dues:
        taken = due.moment.at(cue_seconds)
        if due.kind == "take" and move.settled_seconds - taken > ROUNDING_SECONDS:
            how = "in mid-move" if taken < move.arrival_seconds else "while it still settles"
            yield _too_late("taken-unsettled", move, taken, f"{name} is taken {how}: it", due.why)
            return
    if move.margin_seconds is None or move.margin_seconds >= -ROUNDING_SECONDS or move.due_kind == "next-move":
        return  # the last is told of the next move, which leaves too early
    assert move.due_seconds is not None
    yield _too_late("late", move, move.due_seconds, name, move.due_why or "")


def _too_late(kind: ConflictKind, move: PlannedMove, due: float, what: str, why: str) -> Conflict:
    return Conflict(
        kind,
        move.camera,
        move.cue_index,
        move.cue_number,
        (move.index,),
        due,
        move.settled_seconds,
        f"{what} settles {move.settled_seconds - due:.2f} s too late: it needs {move.needed_seconds:.2f} s and has "
        f"{due - move.start_seconds:.2f} s before {why}",
        (),
    )


def _with_the_one_before(
    cues: Sequence[RehearsedCue], move: PlannedMove, before: PlannedMove, name: str
) -> Iterator[Conflict]:
    earlier = f"{before.position} for cue {number_text(before.cue_number)}"
    told_as_late = (
        before.due_seconds is not None
        and before.due_kind != "next-move"
        and before.settled_seconds > before.due_seconds
    )
    over = before.settled_seconds - move.start_seconds
    if over > ROUNDING_SECONDS and not told_as_late:
        yield Conflict(
            "overlap",
            move.camera,
            move.cue_index,
            move.cue_number,
            (move.index, before.index),
            move.start_seconds,
            before.settled_seconds,
            f"{name} leaves {over:.2f} s before the move to {earlier} has settled",
            (),
        )
    elif before.position != move.position and not before.spare and not _was_seen(cues, before, move):
        yield Conflict(
            "wanted-twice",
            move.camera,
            move.cue_index,
            move.cue_number,
            (move.index, before.index),
            move.start_seconds,
            move.settled_seconds,
            f"cues {number_text(before.cue_number)} and {number_text(move.cue_number)} both want {move.camera}: it is "
            f"sent away from {before.position} to {move.position} before anybody took it",
            (),
        )


def _was_seen(cues: Sequence[RehearsedCue], before: PlannedMove, move: PlannedMove) -> bool:
    """Whether the camera was on air at some time between one move's cue and the next move's leaving."""
    until = move.cue_index + (1 if move.at_go else 0)
    return any(cue.on_air == move.camera for cue in cues[before.cue_index : until])


def _sweeps(cues: Sequence[RehearsedCue]) -> Iterator[Conflict]:
    for cue in cues:
        for camera in cue.switch_on:
            seen = ", which is on air" if cue.on_air == camera else ""
            yield Conflict(
                "start-up-sweep",
                camera,
                cue.index,
                cue.number,
                (),
                cue.at_seconds,
                cue.at_seconds + SWEEP_SECONDS,
                f"cue {number_text(cue.number)} switches {camera} on{seen}: it sweeps its whole range for about "
                f"{SWEEP_SECONDS:.0f} s and answers no recall meanwhile",
                (),
            )


def _takes_in_sweeps(cues: Sequence[RehearsedCue]) -> Iterator[Conflict]:
    for sweep in cues:
        for cue in cues[sweep.index + 1 :]:
            after = cue.at_seconds - sweep.at_seconds
            if after >= SWEEP_SECONDS:
                break
            if cue.take in sweep.switch_on and cues[cue.index - 1].on_air != cue.take:
                yield Conflict(
                    "start-up-sweep",
                    cue.take,
                    cue.index,
                    cue.number,
                    (),
                    cue.at_seconds,
                    sweep.at_seconds + SWEEP_SECONDS,
                    f"cue {number_text(cue.number)} takes {cue.take} in its start-up sweep, {after:g} s after cue "
                    f"{number_text(sweep.number)} has switched it on",
                    (),
                )


def _locks(company: Company, moves: Sequence[PlannedMove]) -> Iterator[Conflict]:
    told: set[str] = set()
    for move in moves:
        locks = company.cameras[move.camera].locks
        if locks and move.camera not in told:
            told.add(move.camera)
            yield Conflict(
                "locked",
                move.camera,
                move.cue_index,
                move.cue_number,
                (),
                move.start_seconds,
                move.settled_seconds,
                f"{move.camera} is {locked_by(locks)} and makes no move until it is unlocked; "
                "its moves are worked out as though it were",
                (),
            )


def _conflict(kind: ConflictKind, move: PlannedMove, sentence: str) -> Conflict:
    return Conflict(
        kind,
        move.camera,
        move.cue_index,
        move.cue_number,
        (move.index,),
        move.start_seconds,
        move.settled_seconds,
        sentence,
        (),
    )
