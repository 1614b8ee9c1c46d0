"""What a rehearsal finds: the evening's cues, moves and stretches on air, and everything that does not fit.

The words of the show file (see `showfile`): a move leaves at standby (off air) or at go (on air). Seconds count from
the start of the show, unless a name says otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from ptzd.cameras import Way
from ptzd.files import Change

ConflictKind = Literal[
    "taken-unsettled",  # a camera is taken in mid-move, or before it has settled
    "late",  # not settled when its cue comes, or by the move's own `latest`, though nobody takes the camera just then
    "tight",  # one of these two or an overlap, but only if it takes longer than the early end of its range
    "still-on-air",  # a move off air is asked of a camera that is on air
    "wanted-twice",  # two cues want one camera: the first one's framing is given up before it was ever taken
    "overlap",  # a move leaves before the camera's last one has settled
    "too-fast-to-watch",  # a move that is seen is faster than the seven-second rule allows
    "start-up-sweep",  # a camera is switched on during the show, or taken or sent somewhere while it sweeps for that
    "locked",  # a camera is locked now, and makes no move until somebody unlocks it
    "out-of-reach",  # a framing that head or lens can't reach
    "impossible-pace",  # this move can't be made in the seconds asked for
    "refused-on-air",  # the configuration refuses moves on air for this camera
]
DueKind = Literal["cue", "take", "latest", "next-move"]
Fit = Literal[
    "fits",  # the late end of its range is in time
    "tight",  # the early end is, the late end is not
    "late",  # not even the early end is
    "unfit",  # it is at fault in a conflict that has to do with more than its own time
]
RemedyKind = Literal[
    "quiet-speed",  # the slowest speed that still arrives
    "faster",  # a higher speed, where the one asked for is too slow
    "slower",  # a lower speed or a longer time, so that it can be watched
    "earlier-start",  # let it leave earlier in the same gap: the latest safe start
    "earlier-cue",  # put it into an earlier cue: it leaves with that one's standby
    "later-cue",  # put it into a later cue: nobody takes the camera before
    "later-start",  # let it leave only once the last move has ended
    "gap",  # the cues must lie so far apart
    "other-camera",  # another camera has a position of the same name and is free
    "spare",  # say that nobody means to take the first framing
    "by-hand",  # only people can do it
]


@dataclass(frozen=True, slots=True)
class RehearsedCue:
    """A cue with its expected time. `on_air` is the camera on air from this cue on."""

    index: int
    number: float
    label: str
    at_seconds: float
    gap_seconds: float  # since the cue before, or the start of the show
    on_call: bool
    take: str | None
    on_air: str | None
    switch_on: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PlannedMove:
    """One move with its times.

    `due_seconds` is when the camera must stand still. A move that leaves at standby must by its cue, or by its own
    `latest`; one that leaves at go by its `latest`, by the camera's next take or by its next move, whichever comes
    first, or by None where nothing more happens to the camera. `due_why` says which it is.
    """

    index: int  # in `Rehearsal.moves`
    cue_index: int
    cue_number: float
    move_index: int  # in the cue's `move`
    camera: str
    position: str
    from_position: str | None  # None: at home after its start-up, or not known
    start_known: bool  # otherwise the farthest corner of its reach is assumed, and that it may be there already
    at_go: bool  # leaves with the cue; else at standby
    seen: bool  # the camera is on air as it leaves
    spare: bool
    start_seconds: float
    arrival_seconds: float
    settled_seconds: float
    needed_seconds: float  # from the start to settled
    least_seconds: float  # the range of `needed_seconds`, nine times in ten or more
    most_seconds: float
    head_measured: bool  # otherwise these figures are a manual's, and assumed
    due_seconds: float | None
    due_kind: DueKind | None
    due_why: str | None  # the words that go after "before", such as "cue 12 takes it"
    way: Way  # shaped where it is made to be seen
    pan_step: int
    tilt_step: int
    pan_deg: float  # how far each axis goes, signed
    tilt_deg: float
    zoom_counts: float
    why: str  # why these steps
    watch: str | None  # what the seven-second rule says of a move that is seen; None where nothing is known
    made: bool = True  # otherwise it can't be made, or a running show does not make it, and the camera stays
    fit: Fit = "fits"
    # How likely it has settled when it must, by its range alone or as `vary` has it; None where its start is unknown.
    ready_chance: float | None = None

    @property
    def available_seconds(self) -> float | None:
        """The time it has, from its start until it must stand still."""
        return None if self.due_seconds is None else self.due_seconds - self.start_seconds

    @property
    def late_end_seconds(self) -> float:
        """When it will have settled at the latest."""
        return self.start_seconds + self.most_seconds

    @property
    def margin_seconds(self) -> float | None:
        """The time it has over at the late end of its range; below 0 where that is too late."""
        return None if self.due_seconds is None else self.due_seconds - self.start_seconds - self.most_seconds


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way out, in a sentence; `changes` carry it out in the file, and are empty where only people can."""

    kind: RemedyKind
    sentence: str
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class Conflict:
    """One thing that does not fit. `moves` are indices into `Rehearsal.moves`, the one at fault first; often empty or
    one, never more than two. It spans `from_seconds` to `until_seconds` (the same where it is a moment).
    """

    kind: ConflictKind
    camera: str
    cue_index: int
    cue_number: float
    moves: tuple[int, ...]
    from_seconds: float
    until_seconds: float
    sentence: str
    remedies: tuple[Remedy, ...] = ()


@dataclass(frozen=True, slots=True)
class OnAirStretch:
    """A camera is on air from one cue's time to another's, or to the end of the show."""

    camera: str
    cue_number: float | None  # that took it; None: it is on air as the show begins
    from_seconds: float
    until_seconds: float


@dataclass(frozen=True, slots=True)
class Rehearsal:
    """The evening as it is expected to go. `cameras` are all that the show uses, in alphabetical order.

    `seconds` is the length: the last thing that is expected to happen. `start` is the position that a camera stands in
    as the show begins, by camera, where the show says so. `varied` says how `ready_chance` came about.
    """

    show: str
    label: str
    cameras: tuple[str, ...]
    cues: tuple[RehearsedCue, ...]
    moves: tuple[PlannedMove, ...]
    on_air: tuple[OnAirStretch, ...]
    conflicts: tuple[Conflict, ...]
    seconds: float
    start: Mapping[str, str] = field(default_factory=dict)
    varied: Variation | None = None

    @property
    def fits(self) -> bool:
        """Whether nothing is in conflict, and nothing is tight."""
        return not self.conflicts

    @property
    def not_measured(self) -> tuple[str, ...]:
        """The cameras whose heads were never measured, of those that are moved."""
        return tuple(sorted({move.camera for move in self.moves if not move.head_measured}))


@dataclass(frozen=True, slots=True)
class Variation:
    """How the gaps of cues on call were varied: normally, each with `share` of it as standard deviation.

    The time of each move was drawn from its range (see `chance`).
    """

    share: float
    runs: int
    seed: int
