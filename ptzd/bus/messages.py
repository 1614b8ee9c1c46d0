"""What the daemon says: the models of its messages, and the JSON they become."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import asdict, fields
from datetime import datetime
from typing import Any, ClassVar, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, JsonValue

from ptzd.cameras import (
    LOCKED_MOVING,
    LOCKED_UNSEEN,
    ActivityKind,
    CameraSettings,
    CameraState,
    LinkState,
    Optics,
    Phase,
    PowerState,
    Tally,
    TallySource,
    Way,
)
from ptzd.cues import CueState, Gone, ListedCue, cue_list, stands_before_each
from ptzd.files import Cue, ShowFile, cue_times, number_text
from ptzd.line import FocusMode, Framing
from ptzd.motion import angle_of_view_deg
from ptzd.positions import Alignment, HistoryEntry, Realigned, Sighting, StoredPosition
from ptzd.visca import DialectError

from .fields import ONE_LINE

STATUS_SECONDS = 2.0  # between two times that a daemon says that it is there
NAME = "NAME"  # stands for a camera's name in the topics of commands and reports, as people read them
OF_A_CAMERA = f"camera/{NAME}/"  # how those begin that concern one camera
_NO_FRAMING: dict[str, None] = dict.fromkeys(each.name for each in fields(Framing))


class Message(BaseModel):
    """Every message: a JSON object with all of its fields."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)

    def encode(self) -> bytes:
        """The payload."""
        return self.model_dump_json().encode()

    @classmethod
    def alike(cls, known: object, **own: object) -> Self:
        """The message with what something has in fields of the same names, but for those that it has of its `own`."""
        known_as = {name: getattr(known, name) for name in cls.model_fields if name not in own}
        with_lists = {name: list(value) if isinstance(value, tuple) else value for name, value in known_as.items()}
        return cls.model_validate(with_lists | own, from_attributes=True)


class Alike(Message):
    """A message with the same fields as what it is made of."""

    @classmethod
    def of(cls, known: object) -> Self:
        """The message for something that has these fields."""
        return cls.alike(known)


class Report(Message):
    """What the daemon says on a topic of its own."""

    on: ClassVar[str]  # the topic below the base; NAME stands for a camera's name
    retained: ClassVar[bool] = False


class StatusMessage(Report):
    """Whether the daemon is there: said anew every two seconds. The broker itself says `offline` when it is lost."""

    on = "status"
    retained = True

    state: Literal["online", "offline"]
    version: str | None = None
    cameras: list[str] = []
    since: AwareDatetime | None = None  # when it came online
    troubles: list[str] = []  # what it started without: sentences on what of the store can't be read or kept


class DaemonMessage(Report):
    """Daemons among themselves: one that starts asks who is there, and goes where another answers."""

    on = "daemon"

    token: str = Field(min_length=1, max_length=64)  # like that of no other daemon
    host: str = Field(max_length=255, pattern=ONE_LINE)  # the name of its computer
    since: AwareDatetime  # when it was started
    holds: bool  # whether the base is its own; else it asks


class OutcomeMessage(Report):
    """What became of a command other than a recall, and of every message that couldn't be a command."""

    on = "outcome"

    topic: str  # the whole topic of the command
    id: str | None
    ok: bool
    code: str | None = None  # where it is not ok
    sentence: str | None = None
    hint: str | None = None  # the words in the sentence that hold for messages alone: what to send
    result: dict[str, JsonValue] | None = None  # what was asked for: see the messages named …Result


class LockMessage(Alike):
    """One of those who keep a camera still, and why."""

    by: str
    reason: str
    since: AwareDatetime
    kept: bool = True  # false while the disk has not taken it: it holds, and would be gone after a restart

    @classmethod
    def each_of(cls, state: CameraState, unkept: Collection[str]) -> list[Self]:
        """The locks of a camera; `unkept` tells whose are not on the disk."""
        return [cls.alike(each, kept=each.by not in unkept) for each in state.locks]


class StateMessage(Report):
    """One camera as last heard. Positions are null until it has told them once."""

    on = "camera/NAME/state"
    retained = True

    camera: str
    link: LinkState
    power: PowerState
    phase: Phase
    position: str | None  # the stored position it stands in
    was_in: (
        str | None
    )  # the one it was in, or on its way to, before it restarted or fell silent; ask whether to recall it
    pan_deg: float | None
    tilt_deg: float | None
    pan_counts: int | None
    tilt_counts: int | None
    zoom_counts: int | None
    focus_counts: int | None
    focus_mode: FocusMode | None
    view_width_deg: float | None  # how wide and how high it sees; null where sensor and lens are not configured
    view_height_deg: float | None
    seconds_to_settled: float | None  # while a move runs
    activity: (
        ActivityKind | None
    )  # the one thing that it does; null where it was ordered nothing and not seen to be at rest
    tally: Tally  # unknown counts as on air
    tally_source: TallySource | None  # null where nobody has told
    tally_since: AwareDatetime | None  # since when it has this tally; null where nobody knows
    locks: list[LockMessage]  # who keeps it still; while there is one, nobody moves it
    faults: list[str]
    as_of: AwareDatetime

    @classmethod
    def of(cls, state: CameraState, optics: Optics | None, unkept: Collection[str] = ()) -> Self:
        """The message for the state of the camera with these optics; `unkept` tells whose locks are not on the disk."""
        framing = state.framing
        return cls.alike(
            state,
            **(_NO_FRAMING if framing is None else asdict(framing)),
            **_view(optics, framing),
            locks=LockMessage.each_of(state, unkept),
        )


class CountsMessage(Alike):
    """A framing as far as an alignment changes it."""

    pan_counts: int
    tilt_counts: int
    zoom_counts: int


class LandingMessage(CountsMessage):
    """How far off a move ended: reported minus wanted. Focus is null where the camera focuses by itself."""

    focus_counts: int | None
    pan_deg: float
    tilt_deg: float


class MoveMessage(Report, Alike):
    """One phase of one move, as it begins."""

    on = "camera/NAME/move"

    camera: str
    phase: Phase
    position: str | None
    id: str | None  # of the recall; `cue 12` for one that cue 12 sent, `places` for one of `cue/places`
    predicted_seconds: float | None  # from start to settled
    least_seconds: float | None  # the range that holds the truth nine times in ten, or more
    most_seconds: float | None
    head_measured: bool | None  # false where the prediction is not measured: a manual's figures, or assumed
    measured_seconds: float | None  # from start to now
    landing: LandingMessage | None
    code: str | None  # of a refusal or a failure
    sentence: str | None
    way: Way | None  # one absolute move, or a drive along a smooth curve
    why: str | None  # why this way and these speeds
    warning: str | None  # where a move on air is too fast to watch, or takes another time than it was meant to
    hint: str | None  # the words in the sentence that hold for messages alone: what to send
    as_of: AwareDatetime


def _view(optics: Optics | None, framing: Framing | None) -> dict[str, float | None]:
    """The fields that tell how wide and how high a picture is, null where that is not known."""
    if optics is None or framing is None:
        return {"view_width_deg": None, "view_height_deg": None}
    focal_length_mm = optics.lens.focal_length_mm(framing.zoom_counts)
    sides_mm = {"view_width_deg": optics.sensor.width_mm, "view_height_deg": optics.sensor.height_mm}
    return {field: round(angle_of_view_deg(side_mm, focal_length_mm), 2) for field, side_mm in sides_mm.items()}


class PositionMessage(Message):
    """One stored position, in the counts of its dialect."""

    name: str
    pan_deg: float | None  # null where the camera can't be sent there, since nobody knows what the counts mean
    tilt_deg: float | None
    focal_length_mm: float | None  # null, too, where the configuration does not name sensor and lens
    view_width_deg: float | None  # likewise
    view_height_deg: float | None
    dialect: str
    pan_counts: int
    tilt_counts: int
    zoom_counts: int
    focus_counts: int
    focus_mode: FocusMode
    speed: int | None
    seconds: float | None
    note: str
    stored_at: AwareDatetime
    still: (
        int | None
    )  # the number of the picture that is kept of it, unlike that of any other picture; null without one
    provisional: bool  # whether it was reckoned and not framed: to be aligned, or stored anew

    @classmethod
    def of(cls, position: StoredPosition, settings: CameraSettings) -> Self:
        """The message for a stored position of the camera with these settings."""
        dialect, optics = settings.dialect, settings.optics
        try:
            carried = position.framing_for(dialect)
        except DialectError:
            carried = None
        return cls.alike(
            position,
            **asdict(position.framing),
            pan_deg=None if carried is None else round(dialect.pan.degrees(carried.pan_counts), 3),
            tilt_deg=None if carried is None else round(dialect.tilt.degrees(carried.tilt_counts), 3),
            focal_length_mm=None
            if carried is None or optics is None
            else round(optics.lens.focal_length_mm(carried.zoom_counts), 1),
            **_view(optics, carried),
        )


class PositionsMessage(Report):
    """What is stored, in the order in which it was arranged, and then in that of the names."""

    on = "camera/NAME/positions"
    retained = True

    camera: str
    positions: list[PositionMessage]

    @classmethod
    def of(cls, settings: CameraSettings, positions: Mapping[str, StoredPosition]) -> Self:
        """The message for a camera's positions."""
        told = [PositionMessage.of(position, settings) for position in positions.values()]
        return cls(camera=settings.name, positions=told)


class TrimMessage(Message):
    """What a nudge by the picture would have to say to bring back what a still shows."""

    right: float
    up: float
    tighter: float


class DriftMessage(Report):
    """What a camera shows in a position, held against the position's still; nothing is said where unsure."""

    on = "camera/NAME/drift"

    camera: str
    position: str
    still: int
    drifted: bool  # by more than the head's own steps explain
    right: float  # so much further right lies what is seen, as a share of the picture's width
    up: float  # of its height
    larger: float  # 0.012 where all is 1.2 % larger
    roll_deg: float  # clockwise
    sure: float  # the share of the picture that agrees on it, of what could be found again
    sentence: str | None  # what has changed, and what that may come from, where it has drifted
    trim: TrimMessage | None  # what would bring it back; nothing is moved unasked
    as_of: AwareDatetime


class LearnProgressMessage(Report):
    """How far the measuring of a head has come."""

    on = "camera/NAME/learn-progress"

    camera: str
    id: str | None
    done: int  # measurements
    of: int
    doing: str
    seconds_left: float
    promised_seconds: float | None = None  # in all; null until the first look has told how late and slow it is


class CueMessage(Message):
    """A cue, as far as whoever looks at the running show wants to know it."""

    number: str  # as people write it: 12, 12.5
    label: str
    take: str | None  # the camera that it takes

    @classmethod
    def of(cls, cue: ListedCue) -> Self:
        """The message for a cue."""
        return cls.alike(cue, number=str(cue.number))


class NotReadyMessage(Alike):
    """A camera that the next cue needs and that is not as it needs it."""

    camera: str
    position: str | None  # null where the cue only takes the camera
    code: str
    sentence: str


class PlaceMessage(Alike):
    """Where a camera should stand before a cue, the next one where no other is named."""

    camera: str
    position: str


class CueStateMessage(Report):
    """Where the show stands in its cues."""

    on = "cue/state"
    retained = True

    show: str
    standing: CueMessage | None  # the last cue that was run; null before the first
    next: CueMessage | None  # what `go` runs; null after the last
    standby: bool  # whether the next cue's framings have been asked for
    held: bool
    ready: bool
    not_ready: list[NotReadyMessage]
    places: list[PlaceMessage]  # where the cameras that the next cue needs are to stand as it comes
    waiting: list[NotReadyMessage]  # moves on air that are still to leave by themselves, some time after their cue
    as_of: AwareDatetime

    @classmethod
    def of(cls, state: CueState, as_of: datetime) -> Self:
        """The message for a show's state."""
        return cls.alike(
            state,
            standing=None if state.standing is None else CueMessage.of(state.standing),
            next=None if state.next is None else CueMessage.of(state.next),
            as_of=as_of,
        )


class Result(Message):
    """What a command asked for, inside its outcome."""

    def as_result(self) -> dict[str, Any]:
        """As the outcome's `result`."""
        return self.model_dump(mode="json")


class ForeseenMessage(Message):
    """What a recall would do if it were sent now: its times, or the refusal that it would meet."""

    position: str
    stands: bool  # whether the camera is in it already
    predicted_seconds: float | None = None  # from start to settled
    least_seconds: float | None = None  # the range that holds the truth nine times in ten, or more
    most_seconds: float | None = None
    warning: str | None = None
    code: str | None = None
    sentence: str | None = None


class ForeseenResult(Result):
    """The `result` of `camera/NAME/foresee`."""

    camera: str
    on_air: bool  # whether it was planned to be seen
    head_measured: bool  # false where the times are not measured: a manual's figures, or assumed
    recalls: list[ForeseenMessage]


class HistoryEntryMessage(Message):
    """One framing that a position has or had; 1 is the oldest."""

    number: int = Field(ge=1)
    current: bool
    position: PositionMessage


class HistoryResult(Result):
    """The `result` of `camera/NAME/history`, the oldest first."""

    camera: str
    position: str
    entries: list[HistoryEntryMessage]

    @classmethod
    def of(cls, settings: CameraSettings, position: str, entries: Iterable[HistoryEntry]) -> Self:
        """The result for a position's history."""
        return cls(
            camera=settings.name,
            position=position,
            entries=[
                HistoryEntryMessage.alike(entry, position=PositionMessage.of(entry.position, settings))
                for entry in entries
            ],
        )


class StoreResult(Result):
    """The `result` of `camera/NAME/store`: whether a picture is kept with the position."""

    still: bool
    warning: str | None = None  # why there is none though the camera has a picture, or why none of its memories has it


class RestoreResult(Result):
    """Which positions the camera's own memories hold now, and which not."""

    restored: list[str]
    left: list[str]  # a sentence on each


class NamedResult(Result):
    """The `result` of `camera/NAME/rename` and `camera/NAME/delete`."""

    warning: str | None  # where the show that is loaded names the position


class LoadResult(Result):
    """The `result` of `cue/load`: the show that was read, how many cues it has.

    `warnings` tell where it can't be told for sure which of its cues stands.
    """

    show: str
    cues: int
    warnings: list[str]


class DriveResult(Result):
    """The `result` of `camera/NAME/drive`: its first two are for a `grip`, and null without one."""

    seconds_across: float | None  # the picture, that a full push of pan takes; null where nobody knows how wide it is
    warning: str | None  # where that is not known, and the push is a share of the head's fastest
    head_read_seconds_ago: float | None  # when it told where its head stands, as the state has it; null before it has
    zoom_read_seconds_ago: float | None


class WrittenMoveMessage(Alike):
    """One move of a cue, with the fields that it has in the show file."""

    camera: str
    position: str
    speed: int | None
    seconds: float | None
    on_air: bool
    earliest: float | None
    latest: float | None
    spare: bool


class WrittenCueMessage(Message):
    """A cue with the fields that it has in the show file, and what follows from those before it."""

    number: str  # as people write it: 12, 12.5
    label: str
    at: str | None  # it comes at this time into the show, or `after` the cue before, or on call
    after: float | None
    on_call: bool
    expected: float | None  # after the cue before, where it comes on call
    take: str | None
    switch_on: list[str]
    moves: list[WrittenMoveMessage]
    at_seconds: float  # when it is expected, from the start of the show
    places: list[PlaceMessage]  # where the show wants its cameras before this cue

    @classmethod
    def of(cls, cue: Cue, at_seconds: float, places: Mapping[str, str]) -> Self:
        """The message for a cue that comes at this time, with the position of each camera before it."""
        return cls.alike(
            cue,
            number=number_text(cue.number),
            on_call=cue.on_call is True,
            moves=[WrittenMoveMessage.of(move) for move in cue.move],
            at_seconds=round(at_seconds, 3),
            places=[PlaceMessage(camera=camera, position=position) for camera, position in places.items()],
        )


class CuesResult(Result):
    """The `result` of `cue/list`: the show that is loaded, in the order of its cues."""

    show: str
    label: str
    on_air: str | None  # the camera that is on air as the show begins
    cues: list[WrittenCueMessage]

    @classmethod
    def of(cls, show: ShowFile) -> Self:
        """The result for a show."""
        stands = stands_before_each(cue_list(show), show.show.start)
        return cls(
            show=show.show.name,
            label=show.show.label,
            on_air=show.show.on_air,
            cues=[
                WrittenCueMessage.of(cue, time.at_seconds, {camera: place for camera, (place, _) in before.items()})
                for cue, time, before in zip(show.cue, cue_times(show), stands, strict=False)
            ],
        )


class WrittenResult(Result):
    """The `result` of `cue/write` and `cue/remove`: the show as it is now, and how many cues it has.

    `warnings` name cameras and positions of the cue that there are none of, and tell where it can't be told for sure
    which cue stands.
    """

    show: str
    cues: int
    warnings: list[str]


class ConflictMessage(Message):
    """One thing of a show that does not fit, and what would help."""

    cue: str | None  # its number; null where it concerns no single cue
    camera: str | None
    kind: str
    sentence: str
    remedies: list[str]


class RehearsedResult(Result):
    """The `result` of `show/rehearse`, with the cameras, positions and heads that there are now."""

    show: str
    fits: bool
    verdict: str
    reservations: list[str]  # what the figures rest on without being known
    conflicts: list[ConflictMessage]


class SightingMessage(Message):
    """A sighting: the framing in which a camera showed a position, and how far that is from where it was stored."""

    position: str
    pan_counts: int
    tilt_counts: int
    zoom_counts: int
    pan_deg: float  # so much further right than it was stored
    tilt_deg: float  # so much further up
    as_wide: bool  # whether the picture was as wide as it was, too

    @classmethod
    def of(cls, sighting: Sighting, settings: CameraSettings) -> Self:
        """The message for a sighting of the camera with these settings."""
        seen, dialect = sighting.seen, settings.dialect
        before = sighting.position.framing_for(dialect)
        return cls.alike(
            seen,
            position=sighting.position.name,
            pan_deg=round(dialect.pan.degrees(seen.pan_counts - before.pan_counts), 3),
            tilt_deg=round(dialect.tilt.degrees(seen.tilt_counts - before.tilt_counts), 3),
            as_wide=sighting.as_wide,
        )


class SightingsResult(Result):
    """The `result` of `camera/NAME/sight` and `unsight`: all sightings of the camera."""

    camera: str
    sightings: list[SightingMessage]
    next: str | None  # where there is but one: the position that would tell most beside it


class MatchResult(Result):
    """The `result` of `camera/NAME/match`: what a sighting would have to say, and what the picture told."""

    camera: str
    position: str
    pan_counts: int
    tilt_counts: int
    zoom_counts: int
    as_wide: bool  # whether the zoom ring seems to have slipped: then the sighting should tell the zoom, too
    right: float  # so much further right than in the still lies what is seen, as a share of the picture's width
    up: float  # of its height
    larger: float  # 0.012 where all is 1.2 % larger
    roll_deg: float  # clockwise
    sure: float  # the share of the picture that agrees on it, of what could be found again


class JudgedMessage(SightingMessage):
    """A sighting, held against what all of them tell."""

    off_deg: float  # how far from there it was sighted
    allowed_deg: float  # as much as is put down to framing by eye
    larger: float | None  # by which share its picture is larger than it was; null where that was not sighted
    fits: bool


class TurnedMessage(Message):
    """How a head is turned, as it sees that: to the right, then up, then about where it looks."""

    right_deg: float
    up_deg: float
    clockwise_deg: float


class OffsetMessage(Message):
    """By how much further right and up all is found than it was stored."""

    pan_deg: float
    tilt_deg: float


class RealignedMessage(Message):
    """What becomes of one position."""

    position: str
    before: CountsMessage | None  # in the counts of the head that is there now; null where nobody knows them
    after: CountsMessage | None  # null where it is left alone
    was_off_px: float | None  # of 1920, how far off a recall would show it as it is stored; null without optics
    expected_px: float | None  # how far off it is to be expected as corrected; null where that can't be told
    expected_deg: float | None
    leans_deg: float | None  # its picture is turned clockwise by so much, which no pan and tilt take back
    note: str | None  # why it is left alone, or what kept it from being as it was

    @classmethod
    def of(cls, realigned: Realigned) -> Self:
        """The message for what becomes of a position."""
        return cls.alike(
            realigned,
            position=realigned.position.name,
            was_off_px=_rounded(realigned.was_off_px, 1),
            expected_px=_rounded(realigned.expected_px, 1),
            expected_deg=_rounded(realigned.expected_deg, 4),
            leans_deg=_rounded(realigned.leans_deg, 2),
        )


WINDOW_TURNED = (
    "its window counts in the head's own angles, so it has turned with the head: see whether it still keeps the head "
    "where it may be"
)


class AlignResult(Result):
    """The `result` of `camera/NAME/align`: what the sightings tell, and what becomes of each position.

    `turned` is null with a single sighting, which tells no more than an `offset` of pan and tilt. `slipped_counts` is
    by how many counts all zoom positions are higher, null where no sighting tells.
    """

    camera: str
    applied: bool
    sentence: str
    turned: TurnedMessage | None
    offset: OffsetMessage | None
    slipped_counts: float | None
    sightings: list[JudgedMessage]
    positions: list[RealignedMessage]
    warning: str | None  # where the camera has a window, which has turned with its head

    @classmethod
    def of(cls, alignment: Alignment, settings: CameraSettings, *, applied: bool) -> Self:
        """The result for an alignment of the camera with these settings."""
        judged = [
            JudgedMessage.alike(
                each,
                **dict(SightingMessage.of(each.sighting, settings)),
                off_deg=round(each.off_deg, 4),
                allowed_deg=round(each.allowed_deg, 3),
                larger=_rounded(each.larger, 4),
            )
            for each in alignment.sightings
        ]
        turned = None
        if (by_deg := alignment.turned_deg) is not None:
            right, up, clockwise = (round(each, 3) for each in by_deg)
            turned = TurnedMessage(right_deg=right, up_deg=up, clockwise_deg=clockwise)
        offset = None
        if (off_deg := alignment.offset_deg) is not None:
            offset = OffsetMessage(pan_deg=round(off_deg[0], 3), tilt_deg=round(off_deg[1], 3))
        return cls(
            camera=settings.name,
            applied=applied,
            sentence=alignment.sentence,
            turned=turned,
            offset=offset,
            slipped_counts=_rounded(alignment.slipped_counts, 1),
            sightings=judged,
            positions=[RealignedMessage.of(each) for each in alignment.positions],
            warning=None if settings.window is None else WINDOW_TURNED,
        )


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


class UnalignResult(Result):
    """The `result` of `camera/NAME/unalign`: the positions that are again what they were."""

    positions: list[str]


class LearnResult(Result):
    """The `result` of `camera/NAME/learn`: the head's model as text, and the file that keeps it."""

    model: str
    path: str
    renewal: Literal["smooth", "stops", "refused", "unknown"]  # what the head does with a new order in mid-move


class LearnEstimate(Result):
    """The `result` of `camera/NAME/learn` with `estimate`: about how long the camera would move."""

    seconds: float = Field(ge=0)


class ExportResult(Result):
    """The `result` of `show/export`: the show as text."""

    show: str


class LocksResult(Result):
    """The `result` of `lock` and `unlock`: who keeps the camera still now."""

    locks: list[LockMessage]
    warning: str | None = None  # where it was not seen to stand still

    @classmethod
    def of(cls, state: CameraState, unkept: Collection[str], *, answers: bool, stands: bool) -> Self:
        """The result for a camera's state; whether it has answered since it was locked, and was seen to stand."""
        warning = None if stands or not state.locks else LOCKED_MOVING if answers else LOCKED_UNSEEN
        return cls(locks=LockMessage.each_of(state, unkept), warning=warning)


class ImportResult(Result):
    """The `result` of `show/import`, in numbers of positions, and why cameras can't be sent to some of those stored."""

    added: int
    replaced: int
    unchanged: int
    warnings: list[str]


class StartedMessage(Alike):
    """A move that a cue has started, as its camera promised it."""

    camera: str
    position: str | None
    predicted_seconds: float | None  # from start to settled
    least_seconds: float | None  # the range that holds the truth nine times in ten, or more
    most_seconds: float | None
    head_measured: bool | None  # false where the prediction is not measured: a manual's figures, or assumed
    warning: str | None


class StandbyResult(Result):
    """The `result` of `cue/standby`: the moves that have left at once. What waits is told in `cue/state`."""

    started: list[StartedMessage]


class GoResult(Result):
    """The `result` of `cue/go`: the cue that stands now, and whether this press counted or repeated one just before.

    `overtaken` are the cameras that still waited to be sent to a framing for the standby, and what becomes of them, and
    those that are left behind since there was no standby for this cue. `refused` are the moves on air that do not come
    about, as far as that is known at once; `started` are the moves that have left at once; `standing` are the cameras
    that stand where the cue would have moved them on air, and are not sent. `unready` are the cameras that viewers see
    by this cue and that were not ready as it came, beside those of whom the others tell.
    """

    cue: CueMessage
    counted: bool
    overtaken: list[NotReadyMessage]
    refused: list[NotReadyMessage]
    started: list[StartedMessage]
    standing: list[PlaceMessage]
    unready: list[NotReadyMessage]

    @classmethod
    def of(cls, gone: Gone) -> Self:
        """The result for what a `go` did."""
        return cls.alike(gone, cue=CueMessage.of(gone.cue))


class PlacesResult(Result, Alike):
    """The `result` of `cue/places`, camera by camera.

    `sent` are on their way, some perhaps since before; `standing` are there; `not_sent` are neither, each with why.
    """

    sent: list[PlaceMessage]
    standing: list[PlaceMessage]
    not_sent: list[NotReadyMessage]


REPORTS: tuple[type[Report], ...] = tuple(
    each for each in list(vars().values()) if isinstance(each, type) and issubclass(each, Report) and "on" in vars(each)
)
