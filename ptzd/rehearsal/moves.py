"""The moves of a show in the order in which each camera makes them, with what each needs. No times of the evening yet.

Where a move starts, how long it takes and whether it is seen follow from the order of the cues alone; only when it
starts and when it must have settled move with the gaps between cues. Those are kept as moments after some cue, so
that an evening whose gaps turn out otherwise needs nothing of this anew.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from ptzd.cameras import (
    CameraSettings,
    Framing,
    MovePlan,
    MoveRefused,
    Pace,
    plan_move,
    pose_standing,
    pose_wanted,
)
from ptzd.files import Cue, CueMove, ShowFile, cue_times, number_text
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
        return self.plan.prediction.seconds_to_settled


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
    stands: dict[str, str] = dict(show.show.start)
    swept: dict[str, float] = {}  # cameras that were switched on in the show, and when they have found their ends
    legs: list[Leg] = []
    lasts: dict[str, int] = {}
    for cue_index, cue, move_index, move in _in_order(show):
        if move is None:
            for camera in cue.switch_on:
                stands.pop(camera, None)
                swept[camera] = at_seconds[cue_index] + SWEEP_SECONDS
            continue
        camera = move.camera
        to = company.target(camera, move.position)
        from_position = stands.get(camera)
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
        made = (
            (refused is None or not refused.of_framing)  # in the nearest time, where the one meant can't be had
            and company.makes(move, seen=seen, taken=camera == on_air[cue_index])
            and start.at(at_seconds) >= swept.get(camera, 0.0)
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
                start,
                (),
            )
        )
        if made:
            stands[camera] = move.position
    for last in lasts.values():
        legs[last] = _with_dues(show, legs[last], takes, None, len(show.cue), None)
    return legs


def _in_order(show: ShowFile) -> Iterator[tuple[int, Cue, int, CueMove | None]]:
    """Yield the moves of each cue with their indices: those at standby, None as the cue itself comes, those at go."""
    for cue_index, cue in enumerate(show.cue):
        for on_air in (False, True):
            if on_air:
                yield cue_index, cue, -1, None
            for move_index, move in enumerate(cue.move):
                if move.on_air is on_air:
                    yield cue_index, cue, move_index, move


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
        due = Due(Moment(cue, 0.0), "cue", f"cue {number} comes")
        if cue in takes.get(leg.camera, ()):
            due = Due(Moment(cue, 0.0), "take", f"cue {number} takes it")
        if move.latest:
            due = Due(Moment(cue, move.latest), "latest", f"the last {-move.latest:g} s before cue {number}")
        return replace(leg, dues=(due,))
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
