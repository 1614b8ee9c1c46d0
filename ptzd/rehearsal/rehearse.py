"""The rehearsal: whether every camera can be where the show wants it, in time and unseen. Pure sums."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from ptzd.files import ShowFile, cue_times

from .going import Going
from .moves import Company, RehearsedCamera
from .rehearsed import OnAirStretch, Rehearsal, RehearsedCue
from .remedies import remedied
from .trial import Trials


def rehearse(
    show: ShowFile, cameras: Mapping[str, RehearsedCamera], *, remedied_conflicts: int | None = None
) -> Rehearsal:
    """Go through a show with the cameras there are. Raises ValueError for a camera or position that there is not.

    What would help is told of the first `remedied_conflicts` alone, for who has no time for more, or of all.
    """
    return rehearsed(Going.through(show, Company(cameras)), remedied_conflicts)


def rehearsed(going: Going, remedied_conflicts: int | None = None) -> Rehearsal:
    """Return all that there is to tell of a show that was gone through, each conflict with what would help."""
    trials = Trials(going)
    some = going.conflicts[:remedied_conflicts]
    show, timetable = going.timetable.show, going.timetable
    cues = tuple(
        RehearsedCue(
            index=index,
            number=cue.number,
            label=cue.label,
            at_seconds=time.at_seconds,
            gap_seconds=time.gap_seconds,
            on_call=time.on_call,
            take=cue.take,
            on_air=timetable.on_air[index],
            switch_on=cue.switch_on,
        )
        for index, (cue, time) in enumerate(zip(show.cue, cue_times(show), strict=True))
    )
    seconds = max(
        cues[-1].at_seconds,
        *(move.settled_seconds for move in going.moves),
        *(conflict.until_seconds for conflict in going.conflicts),
        0.0,
    )
    return Rehearsal(
        show=show.show.name,
        label=show.show.label,
        cameras=_used(show),
        cues=cues,
        moves=tuple(going.moves),
        on_air=_stretches(show, cues, seconds),
        conflicts=(*(remedied(trials, conflict) for conflict in some), *going.conflicts[len(some) :]),
        seconds=seconds,
        start=show.show.start,
    )


def _used(show: ShowFile) -> tuple[str, ...]:
    used = {*show.show.start, *(move.camera for cue in show.cue for move in cue.move)}
    used |= {camera for cue in show.cue for camera in cue.switch_on}
    used.update(filter(None, (show.show.on_air, *(cue.take for cue in show.cue))))
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
