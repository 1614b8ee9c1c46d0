"""Rehearsed evenings made by hand or drawn at random: what a report is drawn from, whatever the sums behind it are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

from hypothesis import strategies as st

from ptzd.files import Change
from ptzd.rehearsal import Conflict, ConflictKind, OnAirStretch, PlannedMove, Rehearsal, RehearsedCue
from ptzd.rehearsal.rehearsed import Remedy, Variation

KINDS: tuple[ConflictKind, ...] = ("taken-unsettled", "late", "still-on-air", "wanted-twice", "overlap", "out-of-reach")


def cue(number: float, at_seconds: float, label: str = "", *, index: int = 0, on_call: bool = False) -> RehearsedCue:
    return RehearsedCue(index, number, label, at_seconds, 0.0, on_call, None, None, ())


def move(
    camera: str,
    position: str,
    start: float,
    travel: float,
    settle: float,
    *,
    index: int = 0,
    cue_index: int = 0,
    cue_number: float = 1.0,
    due: float | None = None,
    chance: float | None = None,
) -> PlannedMove:
    needed = travel + settle
    return PlannedMove(
        index=index,
        cue_index=cue_index,
        cue_number=cue_number,
        move_index=0,
        camera=camera,
        position=position,
        from_position="home",
        start_known=True,
        at_go=False,
        seen=False,
        spare=False,
        start_seconds=start,
        arrival_seconds=start + travel,
        settled_seconds=start + needed,
        needed_seconds=needed,
        least_seconds=needed * 0.9,
        most_seconds=needed * 1.2,
        head_measured=True,
        due_seconds=due,
        due_kind=None if due is None else "take",
        due_why=None if due is None else "it is taken",
        way="direct",
        pan_step=12,
        tilt_step=12,
        pan_deg=30.0,
        tilt_deg=0.0,
        zoom_counts=0.0,
        why="as asked",
        watch=None,
        ready_chance=chance,
    )


def air(camera: str, since: float, until: float) -> OnAirStretch:
    return OnAirStretch(camera, None, since, until)


def conflict(
    camera: str,
    sentence: str,
    *remedies: Remedy,
    kind: ConflictKind = "late",
    moves: tuple[int, ...] = (),
    cue_index: int = 0,
    since: float = 0.0,
    until: float = 0.0,
) -> Conflict:
    return Conflict(kind, camera, cue_index, 1.0, moves, since, until, sentence, remedies)


def made(
    *,
    cameras: Sequence[str] = ("left", "right"),
    cues: Sequence[RehearsedCue] = (),
    moves: Sequence[PlannedMove] = (),
    on_air: Sequence[OnAirStretch] = (),
    conflicts: Sequence[Conflict] = (),
    seconds: float = 60.0,
    label: str = "An evening",
    start: Mapping[str, str] | None = None,
    varied: Variation | None = None,
) -> Rehearsal:
    return Rehearsal(
        "evening",
        label,
        tuple(cameras),
        tuple(cues),
        tuple(moves),
        tuple(on_air),
        tuple(conflicts),
        seconds,
        {each.camera: "home" for each in moves} if start is None else start,
        varied,
    )


@st.composite
def evenings(draw: st.DrawFn) -> Rehearsal:
    """Draw an evening with any labels at all, cues at the same moment, moves that overlap, and conflicts anywhere."""
    cameras = draw(st.lists(st.from_regex(r"[a-z0-9][a-z0-9-]{0,31}", fullmatch=True), min_size=1, unique=True))
    words = st.text(max_size=60)
    times = st.integers(0, 40_000).map(lambda tenths: tenths / 10)
    lengths = st.integers(0, 400).map(lambda tenths: tenths / 10)
    moments = sorted(draw(st.lists(times, min_size=1, max_size=14)))
    cues = [
        cue(1 + index / 2, at, draw(words), index=index, on_call=draw(st.booleans()))
        for index, at in enumerate(moments)
    ]
    moves: list[PlannedMove] = []
    for index in range(draw(st.integers(0, 8))):
        place = draw(st.integers(0, len(cues) - 1))
        moves.append(
            move(
                draw(st.sampled_from(cameras)),
                draw(st.sampled_from(["choir-wide", "a", "x" * 32])),
                draw(times),
                draw(lengths),
                draw(lengths),
                index=index,
                cue_index=place,
                cue_number=cues[place].number,
                due=draw(st.none() | times),
                chance=draw(st.none() | st.floats(0, 1)),
            )
        )
    conflicts = []
    for _ in range(draw(st.integers(0, 6))):
        since = draw(times)
        remedies = [Remedy("gap", draw(words)), Remedy("faster", draw(words), (Change(0, 0, "speed", 12),))]
        conflicts.append(
            conflict(
                draw(st.sampled_from(cameras)),
                draw(words),
                *remedies[: draw(st.integers(0, 2))],
                kind=draw(st.sampled_from(KINDS)),
                moves=tuple(draw(st.lists(st.sampled_from(range(len(moves))), max_size=2))) if moves else (),
                cue_index=draw(st.integers(0, len(cues) - 1)),
                since=since,
                until=since + draw(lengths),
            )
        )
    end = max([moments[-1], *(m.settled_seconds for m in moves), *(c.until_seconds for c in conflicts)])
    takes = [*sorted(set(moments)), end]
    on_air = [air(draw(st.sampled_from(cameras)), since, until) for since, until in pairwise(takes) if until > since]
    varied = draw(st.none() | st.just(Variation(0.2, 500, 1)))
    return made(
        cameras=sorted(cameras),
        cues=cues,
        moves=moves,
        on_air=on_air,
        conflicts=conflicts,
        seconds=end,
        label=draw(words),
        varied=varied,
    )
