"""The ways out of a conflict, computed.

Each remedy is looked at by itself: what it does to other moves shows when the changed show is rehearsed again, which
is what `fix` does before it takes one.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor
from typing import Literal

from ptzd.cameras import MovePlan, MoveRefused, Pace
from ptzd.files import LONGEST_SECONDS, Change, ShowFile, clock_of_seconds, number_text

from .conflicts import ROUNDING_SECONDS
from .moves import Company, Leg
from .rehearsed import Conflict, ConflictKind, PlannedMove, RehearsedCue, Remedy


@dataclass(frozen=True, slots=True)
class Situation:
    """A show gone through, up to its conflicts. `legs` and `moves` are the same moves, in the same order."""

    show: ShowFile
    company: Company
    cues: Sequence[RehearsedCue]
    legs: Sequence[Leg]
    moves: Sequence[PlannedMove]
    of_camera: Mapping[str, Sequence[PlannedMove]]

    def due(self, move: PlannedMove) -> float:
        """When it must stand still; the end of time where nothing more happens."""
        return float("inf") if move.due_seconds is None else move.due_seconds

    def opens(self, cue_index: int) -> float:
        """When a cue's standby is: with the cue before, or the start of the show."""
        return self.cues[cue_index - 1].at_seconds if cue_index else 0.0

    def on_air_before(self, cue_index: int) -> str | None:
        """The camera on air while a cue stands by."""
        return self.cues[cue_index - 1].on_air if cue_index else self.show.show.on_air

    def last_before(self, camera: str, cue_index: int) -> PlannedMove | None:
        """The camera's last move of the cues before one."""
        mine = self.of_camera.get(camera, ())
        place = bisect_left(mine, cue_index, key=lambda move: move.cue_index)
        return mine[place - 1] if place else None

    def first_from(self, camera: str, cue_index: int) -> PlannedMove | None:
        """The camera's first move of a cue and those after it."""
        mine = self.of_camera.get(camera, ())
        place = bisect_left(mine, cue_index, key=lambda move: move.cue_index)
        return mine[place] if place < len(mine) else None

    def after(self, move: PlannedMove) -> PlannedMove | None:
        """The same camera's next move."""
        mine = self.of_camera[move.camera]
        place = bisect_right(mine, move.index, key=lambda each: each.index)
        return mine[place] if place < len(mine) else None


def situation_of(
    show: ShowFile, company: Company, cues: Sequence[RehearsedCue], legs: Sequence[Leg], moves: Sequence[PlannedMove]
) -> Situation:
    """Return what the remedies are worked out from."""
    of_camera: dict[str, list[PlannedMove]] = {}
    for move in moves:
        of_camera.setdefault(move.camera, []).append(move)
    return Situation(show, company, cues, legs, moves, of_camera)


def remedied(situation: Situation, conflict: Conflict) -> Conflict:
    """Return the conflict with its remedies: first those that change least of the evening."""
    return replace(conflict, remedies=tuple(_REMEDIES[conflict.kind](situation, conflict)))


def _taken_unsettled(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    move = situation.moves[conflict.moves[0]]
    yield from _quiet_speed(situation, move)
    yield from _earlier_start(situation, move)
    yield from _earlier_cue(situation, move)
    yield from _later_cue(situation, move)
    yield from _other_camera(situation, move)
    yield from _gap(situation, move)


def _still_on_air(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    move = situation.moves[conflict.moves[0]]
    yield from _later_cue(situation, move)
    yield from _other_camera(situation, move)
    yield _by_hand(
        f"give {move.camera} a pause off air before cue {number_text(move.cue_number)}: let another camera be taken "
        "in between, or make it a move that may be seen (on_air = true)"
    )


def _wanted_twice(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    later, earlier = (situation.moves[index] for index in conflict.moves)
    yield from _other_camera(situation, later)
    yield from _other_camera(situation, earlier)
    yield Remedy(
        "spare",
        f"if nobody means to take {earlier.camera} on {earlier.position}, say so: spare = true in that move of cue "
        f"{number_text(earlier.cue_number)}; else one of the two cues must do without",
        (),
    )


def _overlap(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    move, before = (situation.moves[index] for index in conflict.moves)
    cue = situation.cues[move.cue_index]
    starts = _up(before.settled_seconds - cue.at_seconds)
    if cue.at_seconds + starts + move.needed_seconds <= situation.due(move) + ROUNDING_SECONDS and (
        move.at_go or starts < (situation.show.cue[move.cue_index].move[move.move_index].latest or 0.0)
    ):
        yield Remedy(
            "later-start",
            f"let it leave only when the last move has ended: earliest = {starts:g} in that move of cue "
            f"{number_text(move.cue_number)}",
            (Change(move.cue_index, move.move_index, "earliest", starts),),
        )
    yield from _quiet_speed_for(situation, before, move.start_seconds)
    yield from _later_cue(situation, move)
    yield from _other_camera(situation, move)
    needed = before.settled_seconds + move.needed_seconds - situation.opens(move.cue_index)
    yield _gap_of(situation, move.cue_index, needed)


def _too_fast(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    move = situation.moves[conflict.moves[0]]
    leg = situation.legs[move.index]
    verdict = leg.plan.verdict
    assert verdict is not None
    # What is needed is known for this curve stretched; another curve through the steps may need less, or more.
    for factor in _STRETCHES if verdict.seconds_needed is not None else ():
        seconds = _up(factor * (verdict.seconds_needed or 0.0))
        if seconds > LONGEST_SECONDS:
            break
        plan = situation.company.at(leg, Pace(None, seconds))
        if isinstance(plan, MoveRefused) and plan.code == "too-long":
            seconds = _nearest_seconds(situation, leg, seconds, plan)
            plan = situation.company.at(leg, Pace(None, seconds))
        if isinstance(plan, MovePlan) and plan.verdict is not None and plan.verdict.watchable:
            settles = plan.prediction.seconds_to_settled
            fits = move.start_seconds + settles <= situation.due(move) + ROUNDING_SECONDS
            yield Remedy(
                "slower",
                f"in {seconds:g} s it can be watched"
                + ("" if fits else f", but it has only {situation.due(move) - move.start_seconds:.1f} s"),
                _in_seconds(move, seconds) if fits else (),
            )
            return
    yield _by_hand("let another camera be taken for as long as the move takes, and make it off air")


def _sweep(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    if conflict.moves or conflict.camera not in situation.cues[conflict.cue_index].switch_on:
        yield _by_hand(f"let {conflict.camera} sweep sooner, or want it only when it has found its ends")
        return
    yield _by_hand(
        f"switch {conflict.camera} on before the audience is in, where its sweep endangers nobody, and leave it on; "
        f"then take it out of switch_on in cue {number_text(conflict.cue_number)}"
    )


def _locked(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    yield _by_hand(f"unlock {conflict.camera} when it is safe to move")


def _out_of_reach(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    move = situation.moves[conflict.moves[0]]
    yield from _other_camera(situation, move)
    yield _by_hand(f"frame {move.position} anew with {move.camera} within its reach, and store it again")


def _impossible_pace(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    move = situation.moves[conflict.moves[0]]
    leg = situation.legs[move.index]
    assert leg.refused is not None
    seconds = _nearest_seconds(situation, leg, leg.pace.seconds or 0.0, leg.refused)
    if seconds > 0.0:
        yield Remedy(
            "slower" if leg.refused.code == "too-short" else "faster",
            f"ask for the nearest there is: seconds = {seconds:g}",
            _in_seconds(move, seconds),
        )


def _refused_on_air(situation: Situation, conflict: Conflict) -> Iterator[Remedy]:
    yield _by_hand(
        f"make this move off air, or allow it: on_air_moves of camera {conflict.camera} in the configuration"
    )


SHORTEST_SECONDS = 0.1
_STRETCHES = (0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 2.0)

_REMEDIES: Mapping[ConflictKind, Callable[[Situation, Conflict], Iterator[Remedy]]] = {
    "taken-unsettled": _taken_unsettled,
    "late": _taken_unsettled,
    "still-on-air": _still_on_air,
    "wanted-twice": _wanted_twice,
    "overlap": _overlap,
    "too-fast-to-watch": _too_fast,
    "start-up-sweep": _sweep,
    "locked": _locked,
    "out-of-reach": _out_of_reach,
    "impossible-pace": _impossible_pace,
    "refused-on-air": _refused_on_air,
}


# One way out each


def _quiet_speed(situation: Situation, move: PlannedMove) -> Iterator[Remedy]:
    yield from _quiet_speed_for(situation, move, situation.due(move))


def _quiet_speed_for(situation: Situation, move: PlannedMove, due: float) -> Iterator[Remedy]:
    """The slowest speed that still arrives: it is the quietest, and the mount swings least."""
    leg, company = situation.legs[move.index], situation.company
    has = due - move.start_seconds + ROUNDING_SECONDS
    slowest, fastest = 1, company.fastest_step(move.camera)
    if company.nearest(leg, Pace(fastest, None)).prediction.seconds_to_settled > has:
        return
    while slowest < fastest:
        middle = (slowest + fastest) // 2
        if company.nearest(leg, Pace(middle, None)).prediction.seconds_to_settled <= has:
            fastest = middle
        else:
            slowest = middle + 1
    plan = company.nearest(leg, Pace(fastest, None))
    if plan.verdict is not None and not plan.verdict.watchable:
        return
    yield Remedy(
        "quiet-speed",
        f"speed {fastest} is the slowest that still arrives: {plan.prediction.seconds_to_settled:.2f} s of {has:.2f} s",
        _pace(move, fastest),
    )


def _earlier_start(situation: Situation, move: PlannedMove) -> Iterator[Remedy]:
    cue = situation.cues[move.cue_index].at_seconds
    opens = cue if move.at_go else situation.opens(move.cue_index)
    latest = situation.due(move) - move.needed_seconds
    if latest < opens - ROUNDING_SECONDS or latest >= move.start_seconds:
        return
    starts = _down(latest - cue)
    keeps = max(starts, opens - cue)
    yield Remedy(
        "earlier-start",
        f"the latest safe start is {clock_of_seconds(floor(latest * 10) / 10)}, {latest - opens:.2f} s after its "
        f"{'cue' if move.at_go else 'standby'}: earliest = {keeps:g}",
        (Change(move.cue_index, move.move_index, "earliest", keeps if keeps else None),),
    )


def _earlier_cue(situation: Situation, move: PlannedMove) -> Iterator[Remedy]:
    """Into the nearest earlier cue whose gap is long enough, if the camera is idle and off air from there on."""
    if move.at_go:
        return
    before = situation.last_before(move.camera, move.cue_index)
    for cue in range(move.cue_index - 1, -1, -1):
        if situation.on_air_before(cue) == move.camera or situation.cues[cue].on_air == move.camera:
            return
        if before is not None and (
            before.cue_index >= cue
            or before.settled_seconds > situation.opens(cue) + ROUNDING_SECONDS
            or not (before.spare or _seen_by(situation, before, cue))
        ):
            return
        gap = situation.cues[cue].at_seconds - situation.opens(cue)
        if move.needed_seconds <= gap + ROUNDING_SECONDS:
            yield _into(move, situation.cues[cue], "earlier-cue", "the camera is idle by then")
            return


def _later_cue(situation: Situation, move: PlannedMove) -> Iterator[Remedy]:
    """Into the nearest later cue, if nobody takes the camera before."""
    if move.at_go:
        return
    after = situation.after(move)
    if situation.cues[move.cue_index].take == move.camera:
        return
    for cue in range(move.cue_index + 1, len(situation.cues)):
        if after is not None and after.cue_index <= cue:
            return
        on_air = situation.on_air_before(cue) == move.camera
        gap = situation.cues[cue].at_seconds - situation.opens(cue)
        if not on_air and move.needed_seconds <= gap + ROUNDING_SECONDS:
            yield _into(move, situation.cues[cue], "later-cue", "nobody takes it before")
            return
        if situation.cues[cue].take == move.camera:
            return


def _other_camera(situation: Situation, move: PlannedMove) -> Iterator[Remedy]:
    """Another camera with a position of the same name that is free for as long as this one is wanted."""
    if move.at_go:
        return
    after = situation.after(move)
    first, last = move.cue_index, len(situation.cues) - 1
    if after is not None:
        last = after.cue_index - (0 if after.at_go else 1)
    takes = [cue.index for cue in situation.cues[first : last + 1] if cue.take == move.camera]
    if after is not None and after.at_go and takes:
        return  # the framing is the start of a move on air: that one belongs to this very camera
    # It is wanted until another camera is taken after it, or until this one goes on elsewhere.
    if takes:
        for cue in situation.cues[takes[-1] + 1 : last + 1]:
            if cue.on_air != move.camera:
                last = cue.index
                break
    for name, camera in situation.company.cameras.items():
        if name == move.camera or move.position not in camera.positions:
            continue
        if _free(situation, name, first, last) and _can(situation, name, move):
            changes = [
                Change(first, move.move_index, "camera", name),
                *(Change(take, None, "take", name) for take in takes),
            ]
            taken = f" and take it in cue {_numbers(situation, takes)}" if takes else ""
            yield Remedy(
                "other-camera",
                f"{name} has a position {move.position} too and is free: send it instead{taken}",
                tuple(changes),
            )


def _free(situation: Situation, camera: str, first: int, last: int) -> bool:
    """Whether nobody wants a camera from one cue's standby until another cue has passed."""
    if any(situation.on_air_before(cue) == camera for cue in range(first, last + 1)):
        return False
    if any(cue.take == camera for cue in situation.cues[first : last + 1]):
        return False
    before, after = situation.last_before(camera, first), situation.first_from(camera, first)
    if after is not None and after.cue_index <= last:
        return False
    if before is not None and before.settled_seconds > situation.opens(first) + ROUNDING_SECONDS:
        return False
    until = len(situation.cues) if after is None else after.cue_index + (1 if after.at_go else 0)
    # Who takes it afterwards, without another move, counts on where it stands now.
    if any(cue.take == camera for cue in situation.cues[last + 1 : until]):
        return False
    return before is None or before.spare or _seen_by(situation, before, first)


def _can(situation: Situation, camera: str, move: PlannedMove) -> bool:
    """Whether another camera settles in time, from where it stands then."""
    company = situation.company
    to = company.target(camera, move.position)
    before = situation.last_before(camera, move.cue_index)
    stands = situation.show.show.start.get(camera) if before is None else before.position
    from_ = company.farthest(camera, move.position) if stands is None else company.standing(camera, stands)
    wanted = situation.legs[move.index].move
    pace = company.usual_pace(wanted.model_copy(update={"camera": camera}), seen=False)
    plan = company.plan(camera, from_, to, pace, shown=False)
    if isinstance(plan, MoveRefused):
        return False
    settled = move.start_seconds + plan.prediction.seconds_to_settled
    return settled <= situation.due(move) + ROUNDING_SECONDS


def _seen_by(situation: Situation, before: PlannedMove, cue_index: int) -> bool:
    """Whether a framing was on air before some cue's standby."""
    return any(cue.on_air == before.camera for cue in situation.cues[before.cue_index : cue_index])


def _gap(situation: Situation, move: PlannedMove) -> Iterator[Remedy]:
    if move.at_go:
        due_gap = move.needed_seconds - (situation.due(move) - move.start_seconds)
        yield Remedy("gap", f"whatever comes next must come {_up(due_gap):.1f} s later")
    else:
        late = move.settled_seconds - situation.due(move)
        yield _gap_of(situation, move.cue_index, situation.cues[move.cue_index].gap_seconds + late)


def _gap_of(situation: Situation, cue_index: int, needed: float) -> Remedy:
    """How far the cues must lie apart: for people to decide, since the music sets it."""
    cue = situation.cues[cue_index]
    before = "the start of the show" if cue_index == 0 else f"cue {number_text(situation.cues[cue_index - 1].number)}"
    return Remedy(
        "gap",
        f"cue {number_text(cue.number)} must come {_up(needed):.1f} s after {before} or later; now it is "
        f"{cue.gap_seconds:.1f} s",
    )


def _into(move: PlannedMove, cue: RehearsedCue, kind: Literal["earlier-cue", "later-cue"], because: str) -> Remedy:
    return Remedy(
        kind,
        f"put the move into cue {number_text(cue.number)}: {because}, and its gap of {cue.gap_seconds:.1f} s is enough",
        (
            Change(move.cue_index, move.move_index, "earliest", None),
            Change(move.cue_index, move.move_index, "latest", None),
            Change(move.cue_index, move.move_index, "cue", cue.index),
        ),
    )


def _pace(move: PlannedMove, step: int) -> tuple[Change, ...]:
    return (
        Change(move.cue_index, move.move_index, "seconds", None),
        Change(move.cue_index, move.move_index, "speed", step),
    )


def _nearest_seconds(situation: Situation, leg: Leg, asked: float, refusal: MoveRefused) -> float:
    """The time nearest to a refused one that this move can be made in, to the tenth; 0 where there is none."""
    if not leg.shown:
        arrival = leg.plan.prediction.seconds_to_arrival
        return _up(arrival) if refusal.code == "too-short" else _down(arrival)
    refused = asked
    factor = 1.1 if refusal.code == "too-short" else 1.0 / 1.1
    accepted = refused * factor
    while isinstance(situation.company.at(leg, Pace(None, accepted)), MoveRefused):
        refused, accepted = accepted, accepted * factor
        if not SHORTEST_SECONDS <= accepted <= LONGEST_SECONDS:
            return 0.0
    while abs(accepted - refused) > 0.01:
        middle = 0.5 * (accepted + refused)
        if isinstance(situation.company.at(leg, Pace(None, middle)), MovePlan):
            accepted = middle
        else:
            refused = middle
    return _up(accepted) if refusal.code == "too-short" else _down(accepted)


def _in_seconds(move: PlannedMove, seconds: float) -> tuple[Change, ...]:
    return (
        Change(move.cue_index, move.move_index, "speed", None),
        Change(move.cue_index, move.move_index, "seconds", seconds),
    )


def _by_hand(sentence: str) -> Remedy:
    return Remedy("by-hand", sentence)


def _numbers(situation: Situation, indices: Sequence[int]) -> str:
    return " and ".join(number_text(situation.cues[index].number) for index in indices)


def _up(seconds: float) -> float:
    """Up to a tenth of a second, forgiving what rounding has left."""
    return ceil(seconds * 10.0 - 1e-6) / 10.0


def _down(seconds: float) -> float:
    return floor(seconds * 10.0 + 1e-6) / 10.0
