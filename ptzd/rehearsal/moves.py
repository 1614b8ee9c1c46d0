"""The moves of a show in the order in which each camera makes them, with what each needs. No times of the evening yet.

Where a move starts, how long it takes and whether it is seen follow from the order of the cues alone; only when it
starts and when it must have settled move with the gaps between cues. Those are kept as moments after some cue, so
that an evening whose gaps turn out otherwise needs nothing of this anew.

Each camera's moves follow from its own steps and from what is on air: so a changed show is gone through anew only for
the cameras that the change concerns, and only from there on until all is as it was.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right, insort
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

from ptzd.cameras import CameraSettings, Lock, MovePlan, MoveRefused, Pace, plan_move, pose_standing, pose_wanted
from ptzd.files import Change, Cue, CueMove, ShowFile, Stands, cue_time, cue_times, in_order, number_text
from ptzd.line import Framing, landing
from ptzd.motion import Pose
from ptzd.positions import StoredPosition
from ptzd.visca import DialectError

from .rehearsed import DueKind

START_OF_SHOW = -1  # in place of a cue's index
# A head that restarts sweeps its whole range to find its ends; that takes half a minute (common practice).
SWEEP_SECONDS = 30.0


@dataclass(frozen=True, slots=True)
class RehearsedCamera:
    """What the sums need of one camera. `positions` by name."""

    settings: CameraSettings
    positions: Mapping[str, StoredPosition]
    focus_by_itself: bool = False  # the configuration's focus = "auto": the focus is never brought back
    locks: tuple[Lock, ...] = ()  # as they are kept now; the moves are worked out all the same


@dataclass(frozen=True, slots=True)
class Moment:
    """So many seconds after a cue, or after `START_OF_SHOW`."""

    cue_index: int
    seconds: float

    def at(self, cue_seconds: Sequence[float]) -> float:
        """Return when that is, from the times of the cues."""
        return self.seconds + (cue_seconds[self.cue_index] if self.cue_index >= 0 else 0.0)


@dataclass(frozen=True, slots=True)
class Due:
    """By when a camera must stand still, and the words that go after "before"."""

    moment: Moment
    kind: DueKind
    why: str


@dataclass(frozen=True, slots=True)
class Leg:
    """One move of one camera, as far as the order of cues determines it."""

    cue_index: int
    move_index: int
    move: CueMove
    from_position: str | None
    from_pose: Pose  # the farthest corner of its reach, where nobody knows
    start_known: bool
    to: Framing
    pace: Pace
    plan: MovePlan  # the nearest there is to a refused one
    refused: MoveRefused | None
    seen: bool
    made: bool  # otherwise it can't be made, or a running show does not make it, and the camera stays
    stands: bool  # it is there already, and is not sent
    sweep_cue_index: int | None  # of the cue whose `switch_on` lets the camera sweep meanwhile
    start: Moment
    dues: tuple[Due, ...]

    @property
    def camera(self) -> str:
        """The camera that moves."""
        return self.move.camera

    @property
    def shown(self) -> bool:
        """Whether it is made to be seen, and is seen."""
        return self.seen and self.move.on_air

    @property
    def needed_seconds(self) -> float:
        """From the start to settled."""
        return 0.0 if self.stands else self.plan.prediction.seconds_to_settled

    @property
    def least_seconds(self) -> float:
        """The early end of `needed_seconds`. A camera of which nobody knows where it stands may be there already."""
        return self.plan.prediction.least_seconds if self.start_known and not self.stands else 0.0

    @property
    def most_seconds(self) -> float:
        """The late end of `needed_seconds`, which decides whether it fits."""
        return 0.0 if self.stands else self.plan.prediction.most_seconds


class Company:
    """The cameras of a show: their poses and plans, each worked out once."""

    def __init__(self, cameras: Mapping[str, RehearsedCamera]) -> None:
        self.cameras = cameras
        self._targets: dict[tuple[str, str], Framing] = {}
        self._plans: dict[tuple[str, Pose, Framing, Pace, bool], MovePlan | MoveRefused] = {}

    def with_camera(self, name: str, camera: RehearsedCamera) -> Self:
        """Return the same company but for one camera's positions, locks or leave to move on air."""
        other = type(self)({**self.cameras, name: camera})
        other._plans = self._plans  # which knows framings, not their names
        return other

    def target(self, camera: str, position: str) -> Framing:
        """Return a position's framing as this camera is sent to it. Raises ValueError where there is none."""
        key = (camera, position)
        if key not in self._targets:
            self._targets[key] = self._framing(*key)
        return self._targets[key]

    def standing(self, camera: str, position: str) -> Pose:
        """Return where a camera stands in a position; the focus as it was stored, even where it may have gone on."""
        return pose_standing(self.cameras[camera].settings.dialect, self.target(camera, position))

    def alike(self, camera: str, position: str, other: str) -> bool:
        """Return whether a camera that stands in a position is in another one, too."""
        settings = self.cameras[camera].settings
        stands, wanted = self.target(camera, position), self.target(camera, other)
        return settings.tolerance.holds(landing(settings.dialect, stands, wanted))

    def swept(self, camera: str) -> Pose:
        """Return where a camera stands after its start-up: at home and wide, focused as it will."""
        return Pose(0.0, 0.0, self.cameras[camera].settings.dialect.zoom.wide_counts, None)

    def plan(self, camera: str, from_: Pose, to: Framing, pace: Pace, *, shown: bool) -> MovePlan | MoveRefused:
        """Return the plan for a pace; `shown` is a move that is made to be seen."""
        key = (camera, from_, to, pace, shown)
        if key not in self._plans:
            self._plans[key] = plan_move(self.cameras[camera].settings, from_, to, pace, seen=shown)
        return self._plans[key]

    def at(self, leg: Leg, pace: Pace) -> MovePlan | MoveRefused:
        """Return what becomes of a leg at another pace."""
        return self.plan(leg.camera, leg.from_pose, leg.to, pace, shown=leg.shown)

    def nearest(self, leg: Leg, pace: Pace) -> MovePlan:
        """Return the plan for a leg at another pace, or the nearest to it that can be had."""
        plan = self.at(leg, pace)
        return plan.nearest if isinstance(plan, MoveRefused) else plan

    def makes(self, move: CueMove, *, seen: bool, taken: bool) -> bool:
        """Return whether a running show makes a move: `seen` is on air as it would leave, `taken` from its cue on.

        One that is meant to be off air leaves late, as soon as it is, but not with its own cue's picture on air.
        """
        if not seen:
            return True
        return self.cameras[move.camera].settings.on_air_moves != "refuse" if move.on_air else not taken

    def usual_pace(self, move: CueMove, *, seen: bool) -> Pace:
        """Return the pace the daemon would choose: the move's, else the position's, else the camera's."""
        if move.speed is not None or move.seconds is not None:
            return Pace(move.speed, move.seconds)
        camera = self.cameras[move.camera]
        position = camera.positions[move.position]
        if position.speed is not None or position.seconds is not None:
            return Pace(position.speed, position.seconds)
        return Pace(camera.settings.on_air_speed if seen else camera.settings.speed, None)

    def pose(self, camera: str, position: str) -> Pose:
        """Return the pose that a camera is sent to. Raises ValueError where there is no such position."""
        to = self.target(camera, position)
        return pose_wanted(self.cameras[camera].settings.dialect, to)

    def farthest(self, camera: str, position: str) -> Pose:
        """Return the corner of a camera's reach that is farthest from a position: where nobody knows where it stands.

        Raises ValueError where there is no such position.
        """
        to = self.pose(camera, position)
        dialect = self.cameras[camera].settings.dialect
        pan, tilt = (
            max(scale.reach_deg, key=lambda end, there=there: abs(end - there))  # type: ignore[misc]
            for scale, there in ((dialect.pan, to.pan_deg), (dialect.tilt, to.tilt_deg))
        )
        zoom = max(dialect.zoom.wide_counts, dialect.zoom.tele_counts, key=lambda end: abs(end - to.zoom_counts))
        focus = to.focus_counts
        if focus is not None:
            ends = (dialect.focus.least_counts, dialect.focus.most_counts)
            focus = max(ends, key=lambda end: abs(end - to.focus_counts))  # type: ignore[operator]
        return Pose(pan, tilt, zoom, focus)

    def _framing(self, camera: str, position: str) -> Framing:
        if camera not in self.cameras:
            raise ValueError(f"there is no camera {camera}")
        known = self.cameras[camera]
        if position not in known.positions:
            raise ValueError(f"camera {camera} has no position {position}")
        try:
            framing = known.positions[position].framing_for(known.settings.dialect)
        except DialectError as error:
            raise ValueError(f"position {position} of camera {camera}: {error}") from None
        return replace(framing, focus_mode="auto") if known.focus_by_itself else framing


def on_air_after(show: ShowFile) -> list[str | None]:
    """Return which camera is on air from each cue on."""
    cameras: list[str | None] = []
    camera = show.show.on_air
    for cue in show.cue:
        camera = cue.take or camera
        cameras.append(camera)
    return cameras


@dataclass(frozen=True, slots=True)
class Timetable:
    """A show and its company, with what follows for all cameras from the order of the cues and their times."""

    show: ShowFile
    company: Company
    at_seconds: Sequence[float]  # of each cue
    gaps: Sequence[float]  # before each cue
    on_air: Sequence[str | None]  # from each cue on
    takes: Mapping[str, Sequence[int]]  # the cues at which each camera goes on air, not having been
    fixed: Sequence[int]  # the cues that come at a time of their own

    @classmethod
    def of(cls, show: ShowFile, company: Company) -> Self:
        """Work it out."""
        times = cue_times(show)
        on_air = on_air_after(show)
        at_seconds, gaps = [time.at_seconds for time in times], [time.gap_seconds for time in times]
        fixed = [index for index, time in enumerate(times) if time.fixed]
        return cls(show, company, at_seconds, gaps, on_air, _takes(show, on_air), fixed)

    def changed(self, show: ShowFile, changes: Sequence[Change]) -> Self:
        """Return it with a show that changes have made of its own.

        Raises ValueError where a cue would come before the one before it.
        """
        other = replace(self, show=show)
        for change in changes:
            if change.move_index is not None:
                continue
            if change.field == "take":
                other = other._taken_anew(change.cue_index, self.show)
            elif change.field in ("at", "after", "expected"):
                other = other._timed_anew(change.cue_index)
        return other

    def fixed_after(self, cue_index: int) -> int | None:
        """The first cue after one that comes at a time of its own, however late those before it come."""
        place = bisect_right(self.fixed, cue_index)
        return self.fixed[place] if place < len(self.fixed) else None

    def _timed_anew(self, cue_index: int) -> Self:
        at_seconds, gaps = list(self.at_seconds), list(self.gaps)
        time = cue_time(self.show.cue[cue_index], self.opens(cue_index))
        later = time.at_seconds - at_seconds[cue_index]
        fixed = self.fixed_after(cue_index)
        for cue in range(cue_index, len(gaps) if fixed is None else fixed):
            at_seconds[cue] += later
        gaps[cue_index] = time.gap_seconds
        if fixed is not None:
            gaps[fixed] -= later
        if any(gaps[cue] < 0.0 for cue in (cue_index, fixed) if cue is not None):
            raise ValueError("a cue can't come before the one before it")
        return replace(self, at_seconds=at_seconds, gaps=gaps)

    def _taken_anew(self, cue_index: int, before: ShowFile) -> Self:
        """With other takes in a cue than the show had before."""
        cues, on_air = self.show.cue, list(self.on_air)
        end = next((cue for cue in range(cue_index + 1, len(cues)) if cues[cue].take is not None), len(cues))
        on_air[cue_index:end] = [cues[cue_index].take or self.on_air_before(cue_index)] * (end - cue_index)
        other = replace(self, on_air=on_air)
        takes = dict(self.takes)
        for cue in (cue_index, end) if end < len(cues) else (cue_index,):
            for camera in filter(None, {before.cue[cue].take, cues[cue].take}):
                mine = [each for each in takes.get(camera, ()) if each != cue]
                if cues[cue].take == camera != other.on_air_before(cue):
                    insort(mine, cue)
                takes[camera] = mine
        return replace(other, takes=takes)

    def on_air_before(self, cue_index: int) -> str | None:
        """The camera on air while a cue stands by."""
        return self.on_air[cue_index - 1] if cue_index else self.show.show.on_air

    def shows(self, camera: str, first: int, until: int) -> bool:
        """Whether a camera is on air at some time from the `first` cue on, before the cue `until` comes."""
        return camera in self.on_air[first:until]

    def opens(self, cue_index: int) -> float:
        """When a cue's standby is: with the cue before, or the start of the show."""
        return self.at_seconds[cue_index - 1] if cue_index else 0.0

    def number(self, cue_index: int) -> str:
        """A cue's number as people write it."""
        return number_text(self.show.cue[cue_index].number)


@dataclass(frozen=True, slots=True)
class Step:
    """A move of a camera, or None and -1 where a cue switches it on."""

    cue_index: int
    move_index: int
    move: CueMove | None


def steps_of_cue(cue_index: int, cue: Cue) -> Iterator[tuple[str, Step]]:
    """Yield what a cue has its cameras do, each with the camera."""
    for move_index, move in in_order(cue.move):
        if move is None:
            yield from ((camera, Step(cue_index, -1, None)) for camera in cue.switch_on)
        else:
            yield move.camera, Step(cue_index, move_index, move)


def steps_of(show: ShowFile) -> dict[str, list[Step]]:
    """Return what each camera does, in order. Cameras that do nothing are not among them."""
    steps: dict[str, list[Step]] = {}
    for cue_index, cue in enumerate(show.cue):
        for camera, step in steps_of_cue(cue_index, cue):
            steps.setdefault(camera, []).append(step)
    return steps


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of a camera before one of its steps, and decides all that follows."""

    position: str | None
    swept: bool = False  # it was switched on in the show
    last: Leg | None = None
    last_made: Leg | None = None


@dataclass(frozen=True, slots=True)
class Track:
    """A camera's steps, what was known before each, and what came of it: a move, or None where it is switched on."""

    camera: str
    steps: Sequence[Step]
    before: Sequence[Standing]
    legs: Sequence[Leg | None]
    switches: Sequence[int]  # the cues that switch it on

    @classmethod
    def of(cls, timetable: Timetable, camera: str, steps: Sequence[Step]) -> Self:
        """Go through all of them. Raises ValueError for a camera or a position that there is none of."""
        at_first = Standing(timetable.show.show.start.get(camera))
        switches = [step.cue_index for step in steps if step.move is None]
        walked = list(walk(timetable, camera, steps, 0, at_first, switches))
        return cls(camera, steps, [before for before, _ in walked], [leg for _, leg in walked], switches)

    def place(self, cue_index: int) -> int:
        """Return the place of the first step of a cue or of those after it."""
        return bisect_left(self.steps, cue_index, key=lambda step: step.cue_index)


def walk(
    timetable: Timetable, camera: str, steps: Sequence[Step], first: int, standing: Standing, switches: Sequence[int]
) -> Iterator[tuple[Standing, Leg | None]]:
    """Go through a camera's steps from one on: yield what is known before each, and the move that comes of it.

    `switches` are the cues that switch it on.
    """
    sweeps = [(cue, timetable.at_seconds[cue]) for cue in switches]
    stands: Stands[None] = Stands({} if standing.position is None else {camera: standing.position})
    for place in range(first, len(steps)):
        step = steps[place]
        if step.move is None:
            yield standing, None
            stands.switched_on((camera,))
            standing = Standing(None, True, standing.last, standing.last_made)
            continue
        following = next((steps[after] for after in range(place + 1, len(steps)) if steps[after].move), None)
        leg = _leg(timetable, step, step.move, following, standing, sweeps)
        yield standing, leg
        if leg.made:
            stands.moved(camera, step.move.position, None)
        standing = Standing(stands.position(camera), standing.swept, leg, leg if leg.made else standing.last_made)


def _leg(
    timetable: Timetable,
    step: Step,
    move: CueMove,
    following: Step | None,
    standing: Standing,
    sweeps: Sequence[tuple[int, float]],
) -> Leg:
    company, camera, cue_index, last = timetable.company, move.camera, step.cue_index, standing.last
    to = company.target(camera, move.position)
    from_position = standing.position
    if from_position is not None:
        from_ = company.standing(camera, from_position)
    else:
        from_ = company.swept(camera) if standing.swept else company.farthest(camera, move.position)
    taken = camera == timetable.on_air[cue_index]
    seen = taken if move.on_air else camera == timetable.on_air_before(cue_index)
    pace = company.usual_pace(move, seen=seen)
    planned = company.plan(camera, from_, to, pace, shown=seen and move.on_air)
    plan, refused = (planned.nearest, planned) if isinstance(planned, MoveRefused) else (planned, None)
    start = _start(move, cue_index, timetable.gaps[cue_index])
    begins = start.at(timetable.at_seconds)
    there = (
        not move.on_air
        and from_position is not None
        and company.alike(camera, from_position, move.position)
        and (last is None or not last.made or last.start.at(timetable.at_seconds) + last.most_seconds <= begins)
    )
    if there:
        refused = None
    ends = begins + (0.0 if there else plan.prediction.most_seconds)
    sweep = next(
        (index for index, at in sweeps if begins < at + SWEEP_SECONDS and (at < ends or at == begins)),
        None,
    )
    if sweep is not None and following is not None and following.move is not None:
        # One that was sent on before its camera was switched on is no longer under way then.
        goes_on = _start(following.move, following.cue_index, timetable.gaps[following.cue_index])
        sent = following.move.on_air or timetable.on_air_before(following.cue_index) != camera
        if sent and begins <= goes_on.at(timetable.at_seconds) < timetable.at_seconds[sweep]:
            sweep = None
    made = (
        (refused is None or not refused.of_framing)  # in the nearest time, where the one meant can't be had
        and (there or company.makes(move, seen=seen, taken=taken))
        and sweep is None
    )
    return Leg(
        cue_index=cue_index,
        move_index=step.move_index,
        move=move,
        from_position=from_position,
        from_pose=from_,
        start_known=from_position is not None or standing.swept,
        to=to,
        pace=pace,
        plan=plan,
        refused=refused,
        seen=seen,
        made=made,
        stands=there,
        sweep_cue_index=sweep,
        start=start,
        dues=_dues(timetable, cue_index, move, following),
    )


def _start(move: CueMove, cue_index: int, gap_seconds: float) -> Moment:
    delay = move.delay_seconds(gap_seconds)
    if move.on_air:
        return Moment(cue_index, delay)
    return Moment(cue_index - 1 if cue_index else START_OF_SHOW, delay)


def _takes(show: ShowFile, on_air: Sequence[str | None]) -> dict[str, list[int]]:
    """The cues at which each camera goes on air, not having been."""
    takes: dict[str, list[int]] = {}
    for index, cue in enumerate(show.cue):
        before = on_air[index - 1] if index else show.show.on_air
        if cue.take is not None and cue.take != before:
            takes.setdefault(cue.take, []).append(index)
    return takes


def _dues(timetable: Timetable, cue: int, move: CueMove, following: Step | None) -> tuple[Due, ...]:
    number = timetable.number(cue)
    takes = timetable.takes.get(move.camera, ())
    place = bisect_left(takes, cue if not move.on_air else cue + 1)
    take = takes[place] if place < len(takes) else None
    dues = []
    if not move.on_air:
        if take == cue:
            dues.append(Due(Moment(cue, 0.0), "take", f"cue {number} takes it"))
        else:
            dues.append(Due(Moment(cue, 0.0), "cue", f"cue {number} comes"))
        if move.latest:
            dues.append(Due(Moment(cue, move.latest), "latest", f"the last {-move.latest:g} s before cue {number}"))
        return tuple(dues)
    if move.latest is not None:
        dues.append(Due(Moment(cue, move.latest), "latest", f"{move.latest:g} s after cue {number} are over"))
    then = None if following is None else following.move
    # A take with the next move's own cue is that move's to be ready for, unless it leaves with the cue.
    last_take = len(timetable.show.cue)
    if following is not None and then is not None:
        last_take = following.cue_index if then.on_air else following.cue_index - 1
    if take is not None and take <= last_take:
        dues.append(Due(Moment(take, 0.0), "take", f"cue {timetable.number(take)} takes it"))
    if following is not None and then is not None:
        start = _start(then, following.cue_index, timetable.gaps[following.cue_index])
        why = f"it goes on to {then.position} for cue {timetable.number(following.cue_index)}"
        dues.append(Due(start, "next-move", why))
    return tuple(dues)
