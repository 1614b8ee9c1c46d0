"""The rehearsal: whether every camera can be where the show wants it, in time and unseen. Pure sums."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ptzd.files import Change, ShowFile, cue_times

from .conflicts import conflicts_of
from .moves import Company, Leg, RehearsedCamera, legs_of, on_air_after
from .rehearsed import (
    Conflict,
    ConflictKind,
    DueKind,
    OnAirStretch,
    PlannedMove,
    Rehearsal,
    RehearsedCue,
    Remedy,
    RemedyKind,
    Variation,
)
from .remedies import remedied, situation_of

__all__ = [
    "Change",
    "Conflict",
    "ConflictKind",
    "DueKind",
    "OnAirStretch",
    "PlannedMove",
    "Rehearsal",
    "RehearsedCamera",
    "RehearsedCue",
    "Remedy",
    "RemedyKind",
    "Variation",
    "rehearse",
]


def rehearse(show: ShowFile, cameras: Mapping[str, RehearsedCamera]) -> Rehearsal:
    """Go through a show with the cameras there are. Raises ValueError for a camera or position that there is not."""
    return rehearse_with(show, Company(cameras))


def rehearse_with(show: ShowFile, company: Company) -> Rehearsal:
    """Go through a show with a company that has worked out plans before, for another version of it."""
    times = cue_times(show)
    on_air = on_air_after(show)
    cues = tuple(
        RehearsedCue(
            index=index,
            number=cue.number,
            label=cue.label,
            at_seconds=time.at_seconds,
            gap_seconds=time.gap_seconds,
            on_call=time.on_call,
            take=cue.take,
            on_air=on_air[index],
            switch_on=cue.switch_on,
        )
        for index, (cue, time) in enumerate(zip(show.cue, times, strict=True))
    )
    cue_seconds = [time.at_seconds for time in times]
    legs = legs_of(show, company)
    moves = tuple(_planned(index, leg, company, show, cue_seconds) for index, leg in enumerate(legs))
    situation = situation_of(show, company, cues, legs, moves)
    conflicts = tuple(remedied(situation, conflict) for conflict in conflicts_of(company, cues, legs, moves))
    seconds = max(
        cue_seconds[-1],
        *(move.settled_seconds for move in moves),
        *(conflict.until_seconds for conflict in conflicts),
        0.0,
    )
    return Rehearsal(
        show=show.show.name,
        label=show.show.label,
        cameras=_used(show),
        cues=cues,
        moves=moves,
        on_air=_stretches(show, cues, seconds),
        conflicts=conflicts,
        seconds=seconds,
        start=show.show.start,
    )


def _planned(index: int, leg: Leg, company: Company, show: ShowFile, cue_seconds: Sequence[float]) -> PlannedMove:
    to = company.pose(leg.camera, leg.move.position)
    prediction = leg.plan.prediction
    takes = 0.0 if leg.stands else 1.0  # what stands there already is not sent
    start = leg.start.at(cue_seconds)
    due = min(leg.dues, key=lambda due: due.moment.at(cue_seconds), default=None)
    verdict = leg.plan.verdict
    return PlannedMove(
        index=index,
        cue_index=leg.cue_index,
        cue_number=show.cue[leg.cue_index].number,
        move_index=leg.move_index,
        camera=leg.camera,
        position=leg.move.position,
        from_position=leg.from_position,
        at_go=leg.move.on_air,
        seen=leg.seen,
        spare=leg.move.spare,
        start_seconds=start,
        arrival_seconds=start + takes * prediction.seconds_to_arrival,
        settled_seconds=start + leg.needed_seconds,
        needed_seconds=leg.needed_seconds,
        least_seconds=takes * prediction.least_seconds,
        most_seconds=takes * prediction.most_seconds,
        due_seconds=None if due is None else due.moment.at(cue_seconds),
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
    )


def _used(show: ShowFile) -> tuple[str, ...]:
    used = {*show.show.start, *(move.camera for cue in show.cue for move in cue.move)}
    used |= {camera for cue in show.cue for camera in cue.switch_on}
    used |= {cue.take for cue in show.cue if cue.take is not None}
    if show.show.on_air is not None:
        used.add(show.show.on_air)
    return tuple(sorted(used))


def _stretches(show: ShowFile, cues: Sequence[RehearsedCue], end: float) -> tuple[OnAirStretch, ...]:
    changes: list[tuple[str, float | None, float]] = []
    if show.show.on_air is not None:
        changes.append((show.show.on_air, None, 0.0))
    for cue in cues:
        if cue.take is not None and (not changes or changes[-1][0] != cue.take):
            changes.append((cue.take, cue.number, cue.at_seconds))
    ends = [since for _, _, since in changes[1:]] + [end]
    return tuple(
        OnAirStretch(camera, number, since, until)
        for (camera, number, since), until in zip(changes, ends, strict=False)
        if until > since
    )
