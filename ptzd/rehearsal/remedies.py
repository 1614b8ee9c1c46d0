"""The ways out of a conflict: each is worked out, tried on a copy of the show, and told only if it helps.

Those come first that change least of the timetable. What the author wrote and a way out takes back (a speed, a time, an
`earliest`) is named in its sentence; a `latest` is never taken back.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil, floor
from typing import Literal

from ptzd.cameras import MovePlan, MoveRefused, Pace, within_reach
from ptzd.files import LONGEST_SECONDS, Change, clock_of_seconds

from .chance import ROUNDING_SECONDS
from .going import Going
from .moves import SWEEP_SECONDS, Leg, Timetable
from .rehearsed import Conflict, ConflictKind, PlannedMove, Remedy, RemedyKind
from .trial import Attempt, Otherwise, Trials

Proposal = tuple[Remedy, Attempt]  # what is told, and what is tried
_Gap = tuple[Remedy, Sequence[Change]]
MOST_OF_A_KIND: Mapping[RemedyKind, int] = {"other-camera": 3, "by-hand": 2}  # else one: nobody chooses among more


def remedied(trials: Trials, conflict: Conflict) -> Conflict:
    """Return the conflict with the remedies that help, first those that change least of the timetable."""
    told: list[Remedy] = []
    situation = Situation(trials.going, Counter())
    for remedy, attempt in _PROPOSALS[conflict.kind](situation, conflict):
        if not situation.enough(remedy.kind) and trials.helps(conflict, attempt):
            situation.told[remedy.kind] += 1
            told.append(remedy)
    return replace(conflict, remedies=tuple(told))


@dataclass(frozen=True, slots=True)
class Situation:
    """A show that was gone through, as the remedies of one conflict look at it."""

    going: Going
    told: Counter[RemedyKind]  # that help, so far

    def enough(self, kind: RemedyKind) -> bool:
        """Whether there are so many of a kind that nobody looks for another."""
        return self.told[kind] >= MOST_OF_A_KIND.get(kind, 1)

    @property
    def timetable(self) -> Timetable:
        """The show, its times and what is on air."""
        return self.going.timetable

    def move(self, conflict: Conflict, place: int = 0) -> PlannedMove:
        """One of the moves of a conflict, the one at fault first."""
        return self.going.moves[conflict.moves[place]]

    def leg(self, move: PlannedMove) -> Leg:
        """The same move, as far as the order of cues determines it."""
        return self.going.legs[move.index]

    def due(self, move: PlannedMove) -> float:
        """When it must stand still; the end of time where nothing more happens."""
        return float("inf") if move.due_seconds is None else move.due_seconds

    def last_before(self, camera: str, cue_index: int) -> PlannedMove | None:
        """The camera's last move of the cues before one."""
        mine = self.going.of_camera.get(camera, ())
        place = bisect_left(mine, cue_index, key=lambda move: move.cue_index)
        return mine[place - 1] if place else None

    def first_from(self, camera: str, cue_index: int) -> PlannedMove | None:
        """The camera's first move of a cue and those after it."""
        mine = self.going.of_camera.get(camera, ())
        place = bisect_left(mine, cue_index, key=lambda move: move.cue_index)
        return mine[place] if place < len(mine) else None

    def after(self, move: PlannedMove) -> PlannedMove | None:
        """The same camera's next move."""
        mine = self.going.of_camera[move.camera]
        place = bisect_right(mine, move.index, key=lambda each: each.index)
        return mine[place] if place < len(mine) else None

    def others(self, camera: str) -> list[str]:
        """All cameras of the show but one."""
        show = self.timetable.show
        named = {*self.going.tracks, *show.show.start, *filter(None, (show.show.on_air, *self.timetable.on_air))}
        return sorted(named - {camera})


def _in_time(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move = situation.move(conflict)
    yield from _quiet_speed(situation, move, conflict.from_seconds)
    yield from _earlier_start(situation, move)
    yield from _earlier_cue(situation, move)
    yield from _later_cue(situation, move)
    yield from _other_camera(situation, move)
    yield from _gap(situation, move)


def _tight(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    return _overlap(situation, conflict) if len(conflict.moves) > 1 else _in_time(situation, conflict)


def _overlap(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move, before = situation.move(conflict), situation.move(conflict, 1)
    yield from _later_start(situation, move, before.late_end_seconds, "the last move has ended")
    yield from _quiet_speed(situation, before, move.start_seconds)
    yield from _later_cue(situation, move)
    yield from _other_camera(situation, move)
    yield from _gap(situation, before)


def _still_on_air(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move = situation.move(conflict)
    yield from _later_cue(situation, move)
    yield from _other_camera(situation, move)
    number = situation.timetable.number(move.cue_index)
    yield _by_hand(
        f"make it a move that may be seen: on_air = true in that move of cue {number}; it then leaves with the cue",
        (Change(move.cue_index, move.move_index, "on_air", True),),
    )
    before = move.cue_index - 1
    for other in situation.others(move.camera) if before >= 0 else ():
        yield _by_hand(
            f"give {move.camera} a pause off air: let {other} be taken in cue {situation.timetable.number(before)}",
            (Change(before, None, "take", other),),
        )


def _wanted_twice(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    later, earlier = situation.move(conflict), situation.move(conflict, 1)
    yield from _other_camera(situation, later)
    yield from _other_camera(situation, earlier)
    sentence = (
        f"if nobody means to take {earlier.camera} on {earlier.position}, say so: spare = true in that move of cue "
        f"{situation.timetable.number(earlier.cue_index)}; else one of the two cues must do without"
    )
    yield Remedy("spare", sentence), (Change(earlier.cue_index, earlier.move_index, "spare", True),)


def _too_fast(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move = situation.move(conflict)
    leg = situation.leg(move)
    verdict = leg.plan.verdict
    assert verdict is not None
    # What is needed is known for this curve stretched; another curve through the steps may need less, or more.
    for factor in _STRETCHES if verdict.seconds_needed is not None else ():
        seconds = _up(factor * (verdict.seconds_needed or 0.0))
        if seconds > LONGEST_SECONDS:
            break
        plan = situation.timetable.company.at(leg, Pace(None, seconds))
        if isinstance(plan, MoveRefused) and plan.code == "too-long":
            seconds = _nearest_seconds(situation, leg, seconds, plan)
            plan = situation.timetable.company.at(leg, Pace(None, seconds))
        if isinstance(plan, MovePlan) and plan.verdict is not None and plan.verdict.watchable:
            changes = _in_seconds(move, seconds)
            instead = _in_place(situation, move, "speed", "seconds")
            yield _written("slower", f"in {seconds:g} s it can be watched{instead}", *changes)
            for remedy, attempt in _gap(situation, move, plan.prediction.most_seconds):
                sentence = f"in {seconds:g} s it can be watched{instead}, but then {remedy.sentence}"
                yield replace(remedy, sentence=sentence), (*changes, *attempt)
            break
    number = situation.timetable.number(move.cue_index)
    for other in situation.others(move.camera):
        yield _by_hand(
            f"make it off air: let {other} be taken in cue {number}, so that nobody sees it",
            (Change(move.cue_index, None, "take", other),),
        )
    for other in situation.others(move.camera) if move.cue_index else ():
        yield _by_hand(
            f"make it off air, at the standby of cue {number}: let {other} be taken in cue "
            f"{situation.timetable.number(move.cue_index - 1)}, and {move.camera} in cue {number}",
            (
                Change(move.cue_index - 1, None, "take", other),
                Change(move.cue_index, None, "take", move.camera),
                Change(move.cue_index, move.move_index, "on_air", None),
                Change(move.cue_index, move.move_index, "seconds", None),
            ),
        )


def _sweep(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    timetable, camera = situation.timetable, conflict.camera
    sweep = conflict.cue_index
    if conflict.moves:
        move = situation.move(conflict)
        found = situation.leg(move).sweep_cue_index
        assert found is not None
        sweep = found
        yield from _later_start(situation, move, timetable.at_seconds[sweep] + SWEEP_SECONDS, "the sweep has ended")
        yield from _later_cue(situation, move)
    elif conflict.until_seconds - conflict.from_seconds < SWEEP_SECONDS:  # it is taken within
        sweeps = (cue for cue in range(sweep - 1, -1, -1) if camera in timetable.show.cue[cue].switch_on)
        sweep = next(sweeps, sweep)
    left = tuple(each for each in timetable.show.cue[sweep].switch_on if each != camera)
    yield _by_hand(
        f"switch {camera} on before the audience is in, where its sweep endangers nobody, and leave it on; "
        f"then take it out of switch_on in cue {timetable.number(sweep)}",
        (Change(sweep, None, "switch_on", left or None),),
    )


def _locked(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    camera = situation.timetable.company.cameras[conflict.camera]
    unlocked = Otherwise(conflict.camera, "unlocked", replace(camera, locks=()))
    yield _by_hand(f"unlock {conflict.camera} when it is safe to move", unlocked)


def _out_of_reach(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move = situation.move(conflict)
    yield from _other_camera(situation, move)
    camera = situation.timetable.company.cameras[move.camera]
    framing = within_reach(camera.settings, situation.leg(move).to)
    stored = replace(
        camera.positions[move.position], framing=framing, dialect=camera.settings.dialect.name, scales=None
    )
    nearer = replace(camera, positions={**camera.positions, move.position: stored})
    yield _by_hand(
        f"frame {move.position} anew with {move.camera} within its reach, and store it again",
        Otherwise(move.camera, f"{move.position} within its reach", nearer),
    )


def _impossible_pace(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move = situation.move(conflict)
    leg = situation.leg(move)
    assert leg.refused is not None
    seconds = _nearest_seconds(situation, leg, leg.pace.seconds or 0.0, leg.refused)
    if seconds > 0.0:
        kind: RemedyKind = "slower" if leg.refused.code == "too-short" else "faster"
        yield _written(kind, f"ask for the nearest there is: seconds = {seconds:g}", *_in_seconds(move, seconds))


def _refused_on_air(situation: Situation, conflict: Conflict) -> Iterator[Proposal]:
    move = situation.move(conflict)
    camera = situation.timetable.company.cameras[move.camera]
    allowed = replace(camera, settings=replace(camera.settings, on_air_moves="ask"))
    yield _by_hand(
        f"allow it: on_air_moves of camera {move.camera} in the configuration",
        Otherwise(move.camera, "allowed on air", allowed),
    )
    number = situation.timetable.number(move.cue_index)
    yield _by_hand(
        f"make this move off air: without on_air it leaves at the standby of cue {number}",
        (Change(move.cue_index, move.move_index, "on_air", None),),
    )


SHORTEST_SECONDS = 0.1
_STRETCHES = (0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.5, 2.0)

_PROPOSALS: Mapping[ConflictKind, Callable[[Situation, Conflict], Iterator[Proposal]]] = {
    "taken-unsettled": _in_time,
    "late": _in_time,
    "tight": _tight,
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


def _quiet_speed(situation: Situation, move: PlannedMove, due: float) -> Iterator[Proposal]:
    """The slowest speed that still arrives, late as it may: it is the quietest, and the mount swings least."""
    leg, company = situation.leg(move), situation.timetable.company
    has = min(due, situation.due(move)) - move.start_seconds + ROUNDING_SECONDS
    fastest = company.cameras[move.camera].settings.head.pan.fastest_step

    def needs(speed: int) -> float:
        return company.nearest(leg, Pace(speed, None)).prediction.most_seconds

    if needs(fastest) > has:
        return
    slowest = 1 + bisect_left(range(1, fastest), True, key=lambda speed: needs(speed) <= has)
    yield _written(
        "quiet-speed",
        f"speed {slowest} is the slowest that still arrives: {needs(slowest):.2f} s at most, of "
        f"{has:.2f} s{_in_place(situation, move, 'speed', 'seconds')}",
        Change(move.cue_index, move.move_index, "seconds", None),
        Change(move.cue_index, move.move_index, "speed", slowest),
    )


def _earlier_start(situation: Situation, move: PlannedMove) -> Iterator[Proposal]:
    timetable = situation.timetable
    cue = timetable.at_seconds[move.cue_index]
    opens = cue if move.at_go else timetable.opens(move.cue_index)
    latest = situation.due(move) - move.most_seconds
    if latest < opens - ROUNDING_SECONDS or latest >= move.start_seconds:
        return
    keeps = max(_down(latest - cue), opens - cue)
    yield _written(
        "earlier-start",
        f"the latest safe start is {clock_of_seconds(floor(latest * 10) / 10)}, {latest - opens:.2f} s after its "
        f"{'cue' if move.at_go else 'standby'}: earliest = {keeps:g}{_in_place(situation, move, 'earliest')}",
        Change(move.cue_index, move.move_index, "earliest", keeps or None),
    )


def _later_start(situation: Situation, move: PlannedMove, begins: float, when: str) -> Iterator[Proposal]:
    """Let it leave only from some time on, if its camera is not sent on before."""
    after = situation.after(move)
    if after is not None and after.start_seconds <= begins:
        return
    starts = _up(begins - situation.timetable.at_seconds[move.cue_index])
    yield _written(
        "later-start",
        f"let it leave only when {when}: earliest = {starts:g} in that move of cue "
        f"{situation.timetable.number(move.cue_index)}{_in_place(situation, move, 'earliest')}",
        Change(move.cue_index, move.move_index, "earliest", starts),
    )


def _earlier_cue(situation: Situation, move: PlannedMove) -> Iterator[Proposal]:
    """Into the nearest earlier cue whose gap is long enough, if the camera is idle and off air from there on."""
    if move.at_go:
        return
    timetable = situation.timetable
    before = situation.last_before(move.camera, move.cue_index)
    for cue in range(move.cue_index - 1, -1, -1):
        if move.camera in (timetable.on_air_before(cue), timetable.on_air[cue]):
            return
        if before is not None and (
            before.cue_index >= cue
            or before.late_end_seconds > timetable.opens(cue) + ROUNDING_SECONDS
            or not (before.spare or timetable.shows(move.camera, before.cue_index, cue))
        ):
            return
        if move.most_seconds <= timetable.gaps[cue] + ROUNDING_SECONDS:
            yield from _into(situation, move, cue, "earlier-cue", "the camera is idle by then")
            return


def _later_cue(situation: Situation, move: PlannedMove) -> Iterator[Proposal]:
    """Into the nearest later cue, if nobody takes the camera before."""
    timetable = situation.timetable
    if move.at_go or timetable.show.cue[move.cue_index].take == move.camera:
        return
    after = situation.after(move)
    for cue in range(move.cue_index + 1, len(timetable.show.cue)):
        if after is not None and after.cue_index <= cue:
            return
        on_air = timetable.on_air_before(cue) == move.camera
        if not on_air and move.most_seconds <= timetable.gaps[cue] + ROUNDING_SECONDS:
            yield from _into(situation, move, cue, "later-cue", "nobody takes it before")
            return
        if timetable.show.cue[cue].take == move.camera:
            return


def _into(
    situation: Situation, move: PlannedMove, cue: int, kind: Literal["earlier-cue", "later-cue"], because: str
) -> Iterator[Proposal]:
    """Put a move into another cue: with its `earliest`, which counts from there then, or else without."""
    timetable, written = situation.timetable, situation.leg(move).move
    put = Change(move.cue_index, move.move_index, "cue", cue)
    number = timetable.number(cue)
    sentence = (
        f"put the move into cue {number}: {because}, and its gap of {timetable.gaps[cue]:.1f} s is enough"
        + ("" if written.latest is None else f"; its latest = {written.latest:g} then counts from cue {number}")
    )  # fmt: skip
    if written.earliest is None:
        yield _written(kind, sentence, put)
        return
    yield _written(kind, f"{sentence}; its earliest = {written.earliest:g} then counts from cue {number}", put)
    out = Change(move.cue_index, move.move_index, "earliest", None)
    yield _written(kind, f"{sentence}; its earliest = {written.earliest:g} is taken out", out, put)


def _other_camera(situation: Situation, move: PlannedMove) -> Iterator[Proposal]:
    """Another camera with a position of the same name that is free for as long as this one is wanted."""
    if move.at_go:
        return
    timetable = situation.timetable
    after = situation.after(move)
    first, last = move.cue_index, len(timetable.on_air) - 1
    if after is not None:
        last = after.cue_index - (0 if after.at_go else 1)
    takes = [cue for cue in range(first, last + 1) if timetable.show.cue[cue].take == move.camera]
    if after is not None and after.at_go and takes:
        return  # the framing is the start of a move on air: that one belongs to this very camera
    # It is wanted until another camera is taken after it, or until this one goes on elsewhere.
    if takes:
        last = next((cue for cue in range(takes[-1] + 1, last + 1) if timetable.on_air[cue] != move.camera), last)
    for name, camera in timetable.company.cameras.items():
        if situation.enough("other-camera"):
            return
        if name == move.camera or move.position not in camera.positions:
            continue
        if _free(situation, name, first, last) and _can(situation, name, move):
            taken = f" and take it in cue {' and '.join(map(timetable.number, takes))}" if takes else ""
            yield _written(
                "other-camera",
                f"{name} has a position {move.position} too and is free: send it instead{taken}",
                Change(first, move.move_index, "camera", name),
                *(Change(take, None, "take", name) for take in takes),
            )


def _free(situation: Situation, camera: str, first: int, last: int) -> bool:
    """Whether nobody wants a camera from one cue's standby until another cue has passed."""
    timetable = situation.timetable
    cues = timetable.show.cue
    if any(timetable.on_air_before(cue) == camera for cue in range(first, last + 1)):
        return False
    if any(cue.take == camera for cue in cues[first : last + 1]):
        return False
    before, after = situation.last_before(camera, first), situation.first_from(camera, first)
    if after is not None and after.cue_index <= last:
        return False
    if before is not None and before.late_end_seconds > timetable.opens(first) + ROUNDING_SECONDS:
        return False
    until = len(cues) if after is None else after.cue_index + (1 if after.at_go else 0)
    # Who takes it afterwards, without another move, counts on where it stands now.
    if any(cue.take == camera for cue in cues[last + 1 : until]):
        return False
    return before is None or before.spare or timetable.shows(camera, before.cue_index, first)


def _can(situation: Situation, camera: str, move: PlannedMove) -> bool:
    """Whether another camera settles in time, from where it stands then."""
    timetable = situation.timetable
    company = timetable.company
    to = company.target(camera, move.position)
    before = situation.last_before(camera, move.cue_index)
    stands = timetable.show.show.start.get(camera) if before is None else before.position
    from_ = company.farthest(camera, move.position) if stands is None else company.standing(camera, stands)
    pace = company.usual_pace(situation.leg(move).move.model_copy(update={"camera": camera}), seen=False)
    plan = company.plan(camera, from_, to, pace, shown=False)
    if isinstance(plan, MoveRefused):
        return False
    return move.start_seconds + plan.prediction.most_seconds <= situation.due(move) + ROUNDING_SECONDS


def _gap(situation: Situation, move: PlannedMove, needs: float | None = None) -> Iterator[_Gap]:
    """How far cues must lie apart for a move that `needs` so many seconds: for people to decide, since music sets it.

    Only a cue that comes after the move has left and no later than it must have settled can give it more time.
    """
    leg, timetable = situation.leg(move), situation.timetable
    late = move.start_seconds + (move.most_seconds if needs is None else needs)
    for due in leg.dues:
        over = late - due.moment.at(timetable.at_seconds)
        if over <= ROUNDING_SECONDS:
            continue
        cue = due.moment.cue_index
        if cue > leg.start.cue_index and cue >= 0:
            yield _gap_of(situation, cue, timetable.gaps[cue] + over)
        elif due.kind == "next-move" and (after := situation.after(move)) is not None:
            written = situation.leg(after).move
            if written.earliest is not None and not written.on_air:
                # It leaves so long before its own cue: that one has to come later.
                yield _gap_of(situation, after.cue_index, late - written.earliest - timetable.opens(after.cue_index))


def _gap_of(situation: Situation, cue_index: int, needed: float) -> _Gap:
    timetable = situation.timetable
    cue = timetable.show.cue[cue_index]
    before = "the start of the show" if cue_index == 0 else f"cue {timetable.number(cue_index - 1)}"
    gap = _up(needed)
    change = Change(cue_index, None, "expected" if cue.on_call else "after", gap)
    if cue.at is not None:
        change = Change(cue_index, None, "at", clock_of_seconds(timetable.opens(cue_index) + gap))
    now = f"{timetable.gaps[cue_index]:.1f} s"
    sentence = f"cue {timetable.number(cue_index)} must come {gap:.1f} s after {before} or later; now it is {now}"
    return Remedy("gap", sentence), (change,)


def _nearest_seconds(situation: Situation, leg: Leg, asked: float, refusal: MoveRefused) -> float:
    """The time nearest to a refused one that this move can be made in, to the tenth; 0 where there is none."""
    if not leg.shown:
        arrival = leg.plan.prediction.seconds_to_arrival
        return _up(arrival) if refusal.code == "too-short" else _down(arrival)
    refused = asked
    factor = 1.1 if refusal.code == "too-short" else 1.0 / 1.1
    accepted = refused * factor
    company = situation.timetable.company
    while isinstance(company.at(leg, Pace(None, accepted)), MoveRefused):
        refused, accepted = accepted, accepted * factor
        if not SHORTEST_SECONDS <= accepted <= LONGEST_SECONDS:
            return 0.0
    while abs(accepted - refused) > 0.01:
        middle = 0.5 * (accepted + refused)
        if isinstance(company.at(leg, Pace(None, middle)), MovePlan):
            accepted = middle
        else:
            refused = middle
    return _up(accepted) if refusal.code == "too-short" else _down(accepted)


def _in_seconds(move: PlannedMove, seconds: float) -> tuple[Change, ...]:
    return (
        Change(move.cue_index, move.move_index, "speed", None),
        Change(move.cue_index, move.move_index, "seconds", seconds),
    )


def _in_place(situation: Situation, move: PlannedMove, *fields: str) -> str:
    """What the author wrote there, which goes."""
    written = situation.leg(move).move
    gone = [f"{field} = {value:g}" for field in fields if (value := getattr(written, field)) is not None]
    return f", in place of {gone[0]}" if gone else ""


def _written(kind: RemedyKind, sentence: str, *changes: Change) -> Proposal:
    """One that can be written into the show as it is tried."""
    return Remedy(kind, sentence, changes), changes


def _by_hand(sentence: str, attempt: Attempt) -> Proposal:
    return Remedy("by-hand", sentence), attempt


def _up(seconds: float) -> float:
    """Up to a tenth of a second, forgiving what rounding has left."""
    return ceil(seconds * 10.0 - 1e-6) / 10.0


def _down(seconds: float) -> float:
    return floor(seconds * 10.0 + 1e-6) / 10.0
