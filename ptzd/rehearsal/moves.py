"""The moves of a show in the order in which each camera makes them, with what each needs. No times of the evening yet.

Where a move starts, how long it takes and whether it is seen follow from the order of the cues alone; only when it
starts and when it must have settled move with the gaps between cues. Those are kept as moments after some cue, so
that an evening whose gaps turn out otherwise needs nothing of this anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from ptzd.cameras import (
    CameraSettings,
    Framing,
    Lock,
    MovePlan,
    MoveRefused,
    Pace,
    landing,
    plan_move,
    pose_standing,
    pose_wanted,
)
from ptzd.files import Cue, CueMove, ShowFile, Stands, cue_times, in_order, number_text
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
    from_pose: Pose
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


class Company:
    """The cameras of a show: their poses and plans, each worked out once."""

    def __init__(self, cameras: Mapping[str, RehearsedCamera]) -> None:
        self.cameras = cameras
        self._targets: dict[tuple[str, str], Framing] = {}
        self._plans: dict[tuple[str, Pose, Framing, Pace, bool], MovePlan | MoveRefused] = {}

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

    def fastest_step(self, camera: str) -> int:
        """Return the highest speed that a recall of this camera can name."""
        return self.cameras[camera].settings.head.pan.fastest_step

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
            max(
                (scale.degrees(scale.least_counts), scale.degrees(scale.most_counts)),
                key=lambda end, there=there: abs(end - there),  # type: ignore[misc]
            )
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


def legs_of(show: ShowFile, company: Company) -> list[Leg]:
    """Return all moves, in the order of cues, and within a cue those at standby first.

    Raises ValueError for a camera or a position that there is none of.
    """
    on_air = on_air_after(show)
    times = cue_times(show)
    at_seconds = [time.at_seconds for time in times]
    takes = _takes(show, on_air)
    stands: Stands[Cue] = Stands(show.show.start)
    sweeps = _sweeps(show, at_seconds)
    swept: set[str] = set()  # cameras that were switched on in the show
    legs: list[Leg] = []
    lasts: dict[str, int] = {}
    steps = ((index, cue, *step) for index, cue in enumerate(show.cue) for step in in_order(cue.move))
    for cue_index, cue, move_index, move in steps:
        if move is None:
            stands.switched_on(cue.switch_on)
            swept.update(cue.switch_on)
            continue
        camera = move.camera
        to = company.target(camera, move.position)
        from_position = stands.position(camera)
        if from_position is not None:
            from_ = company.standing(camera, from_position)
        else:
            from_ = company.swept(camera) if camera in swept else company.farthest(camera, move.position)
        before = on_air[cue_index - 1] if cue_index else show.show.on_air
        seen = camera == (on_air[cue_index] if move.on_air else before)
        pace = company.usual_pace(move, seen=seen)
        planned = company.plan(camera, from_, to, pace, shown=seen and move.on_air)
        plan, refused = (planned.nearest, planned) if isinstance(planned, MoveRefused) else (planned, None)
        start = _start(move, cue_index, times[cue_index].gap_seconds)
        begins = start.at(at_seconds)
        last = legs[lasts[camera]] if camera in lasts else None
        there = (
            not move.on_air
            and from_position is not None
            and company.alike(camera, from_position, move.position)
            and (last is None or not last.made or last.start.at(at_seconds) + last.needed_seconds <= begins)
        )
        if there:
            refused = None
        ends = begins + (0.0 if there else plan.prediction.seconds_to_settled)
        sweep = next(
            (
                cue_index
                for cue_index, at in sweeps.get(camera, ())
                if begins < at + SWEEP_SECONDS and (at < ends or at == begins)
            ),
            None,
        )
        made = (
            (refused is None or not refused.of_framing)  # in the nearest time, where the one meant can't be had
            and (there or company.makes(move, seen=seen, taken=camera == on_air[cue_index]))
            and sweep is None
        )
        if camera in lasts:
            legs[lasts[camera]] = _with_dues(show, legs[lasts[camera]], takes, start, cue_index, move)
        lasts[camera] = len(legs)
        legs.append(
            Leg(
                cue_index,
                move_index,
                move,
                from_position,
                from_,
                to,
                pace,
                plan,
                refused,
                seen,
                made,
                there,
                sweep,
                start,
                (),
            )
        )
        if made:
            stands.moved(camera, move.position, cue)
    for index in lasts.values():
        legs[index] = _with_dues(show, legs[index], takes, None, len(show.cue), None)
    return legs


def _sweeps(show: ShowFile, at_seconds: Sequence[float]) -> dict[str, list[tuple[int, float]]]:
    """The cues that switch each camera on, and when they come."""
    sweeps: dict[str, list[tuple[int, float]]] = {}
    for index, cue in enumerate(show.cue):
        for camera in cue.switch_on:
            sweeps.setdefault(camera, []).append((index, at_seconds[index]))
    return sweeps


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


def _with_dues(
    show: ShowFile,
    leg: Leg,
    takes: Mapping[str, Sequence[int]],
    next_start: Moment | None,
    next_cue: int,
    next_move: CueMove | None,
) -> Leg:
    move, cue = leg.move, leg.cue_index
    number = number_text(show.cue[cue].number)
    if not move.on_air:
        if cue in takes.get(leg.camera, ()):
            dues = [Due(Moment(cue, 0.0), "take", f"cue {number} takes it")]
        else:
            dues = [Due(Moment(cue, 0.0), "cue", f"cue {number} comes")]
        if move.latest:
            why = f"the last {-move.latest:g} s before cue {number}"
            dues.append(Due(Moment(cue, move.latest), "latest", why))
        return replace(leg, dues=tuple(dues))
    dues = []
    if move.latest is not None:
        dues.append(Due(Moment(cue, move.latest), "latest", f"{move.latest:g} s after cue {number} are over"))
    # A take with the next move's own cue is that move's to be ready for, unless it leaves with the cue.
    last_take = next_cue if next_move is None or next_move.on_air else next_cue - 1
    for take in takes.get(leg.camera, ()):
        if cue < take <= last_take:
            dues.append(Due(Moment(take, 0.0), "take", f"cue {number_text(show.cue[take].number)} takes it"))
            break
    if next_start is not None and next_move is not None:
        why = f"it goes on to {next_move.position} for cue {number_text(show.cue[next_cue].number)}"
        dues.append(Due(next_start, "next-move", why))
    return replace(leg, dues=tuple(dues))
