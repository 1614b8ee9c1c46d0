"""A show gone through with the cameras there are: what each does, and what does not fit. Not yet what would help."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

from ptzd.files import ShowFile

from .chance import ROUNDING_SECONDS, chance_within
from .conflicts import conflicts_of_camera, conflicts_of_moves
from .moves import Company, Leg, Timetable, Track, steps_of
from .rehearsed import Conflict, Fit, PlannedMove


@dataclass(frozen=True, slots=True)
class Going:
    """How a show goes. `legs` and `moves` are the same moves in the order of cues, those at standby first in each."""

    timetable: Timetable
    tracks: Mapping[str, Track]
    legs: Sequence[Leg]
    moves: Sequence[PlannedMove]
    of_camera: Mapping[str, Sequence[PlannedMove]]
    conflicts: Sequence[Conflict]  # in the order of their times, without remedies

    @classmethod
    def through(cls, show: ShowFile, company: Company) -> Self:
        """Go through a show. Raises ValueError for a camera or a position that there is none of."""
        timetable = Timetable.of(show, company)
        tracks = {camera: Track.of(timetable, camera, steps) for camera, steps in steps_of(show).items()}
        legs = sorted(
            (leg for track in tracks.values() for leg in track.legs if leg is not None),
            key=lambda leg: (leg.cue_index, leg.move.on_air, leg.move_index),
        )
        of_camera: dict[str, list[tuple[Leg, PlannedMove]]] = {camera: [] for camera in tracks}
        moves = []
        for index, leg in enumerate(legs):
            move = planned(timetable, leg, index)
            moves.append(move)
            of_camera[leg.camera].append((leg, move))
        conflicts: list[Conflict] = []
        for camera, mine in of_camera.items():
            conflicts += conflicts_of_camera(timetable, camera, tracks[camera].switches, mine[0][1] if mine else None)
            conflicts += conflicts_of_moves(timetable, mine)
        conflicts.sort(key=lambda conflict: (conflict.from_seconds, conflict.cue_index, conflict.camera))
        for index in _at_fault_otherwise(conflicts):
            moves[index] = replace(moves[index], fit="unfit")
        return cls(
            timetable,
            tracks,
            legs,
            moves,
            {camera: [moves[move.index] for _, move in mine] for camera, mine in of_camera.items()},
            conflicts,
        )


def planned(timetable: Timetable, leg: Leg, index: int) -> PlannedMove:
    """Return a leg with its times; `index` is its place among all moves."""
    settings = timetable.company.cameras[leg.camera].settings
    to = timetable.company.pose(leg.camera, leg.move.position)
    prediction, verdict = leg.plan.prediction, leg.plan.verdict
    start = leg.start.at(timetable.at_seconds)
    due = min(leg.dues, key=lambda due: due.moment.at(timetable.at_seconds), default=None)
    due_seconds = None if due is None else due.moment.at(timetable.at_seconds)
    fit, chance = _fit(leg, None if due_seconds is None else due_seconds - start)
    return PlannedMove(
        index=index,
        cue_index=leg.cue_index,
        cue_number=timetable.show.cue[leg.cue_index].number,
        move_index=leg.move_index,
        camera=leg.camera,
        position=leg.move.position,
        from_position=leg.from_position,
        start_known=leg.start_known,
        at_go=leg.move.on_air,
        seen=leg.seen,
        spare=leg.move.spare,
        start_seconds=start,
        # What stands there already is not sent.
        arrival_seconds=start + (0.0 if leg.stands else prediction.seconds_to_arrival),
        settled_seconds=start + leg.needed_seconds,
        needed_seconds=leg.needed_seconds,
        least_seconds=leg.least_seconds,
        most_seconds=leg.most_seconds,
        head_measured=settings.head_measured,
        due_seconds=due_seconds,
        due_kind=None if due is None else due.kind,
        due_why=None if due is None else due.why,
        way=leg.plan.way,
        pan_step=leg.plan.pan_step,
        tilt_step=leg.plan.tilt_step,
        pan_deg=to.pan_deg - leg.from_pose.pan_deg,
        tilt_deg=to.tilt_deg - leg.from_pose.tilt_deg,
        zoom_counts=to.zoom_counts - leg.from_pose.zoom_counts,
        why=leg.plan.why,
        watch=None if verdict is None else verdict.sentence,
        made=leg.made,
        fit=fit,
        ready_chance=chance,
    )


def _fit(leg: Leg, has: float | None) -> tuple[Fit, float | None]:
    """Whether a move is in time, and how likely."""
    if not leg.made:
        return "unfit", 0.0
    if has is None or leg.most_seconds <= has + ROUNDING_SECONDS:
        return "fits", 1.0
    if leg.least_seconds > has + ROUNDING_SECONDS:
        return "late", 0.0
    if not leg.start_known:
        return "tight", None
    return "tight", chance_within(has, leg.needed_seconds, leg.least_seconds, leg.most_seconds)


def _at_fault_otherwise(conflicts: Sequence[Conflict]) -> Iterator[int]:
    """The moves at fault in more than their own time."""
    for conflict in conflicts:
        own_time = conflict.kind in ("taken-unsettled", "late", "tight") and len(conflict.moves) == 1
        if conflict.moves and not own_time:
            yield conflict.moves[0]
