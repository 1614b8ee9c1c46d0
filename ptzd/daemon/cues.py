"""The commands of cues, and the desk of the show that is loaded, where one is."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

import structlog

from ptzd.bus import Asked, Bus
from ptzd.bus.commands import (
    BackCommand,
    GoCommand,
    HoldCommand,
    JumpCommand,
    LoadCommand,
    PlacesCommand,
    RecallCommand,
    ReleaseCommand,
    StandbyCommand,
)
from ptzd.bus.messages import CueStateMessage, GoResult, LoadResult, PlacesResult, StandbyResult, StartedMessage
from ptzd.cameras import Camera, CameraState, MoveReport
from ptzd.cues import CueDesk, CueState, CueToken, ListedMove, cue_list
from ptzd.files import ShowFile, TextFileError, number_text
from ptzd.positions import CuePlace, PositionStore
from ptzd.refusal import Refusal

from .advice import unknown
from .answers import Answers
from .handling import handles
from .recalls import Recalls
from .showtext import ShowText

NO_CUES = "no cue list is loaded: name a show file under [show] in the configuration"

log = structlog.get_logger()


@dataclass(eq=False, kw_only=True)
class Cues:
    """A show's cues towards the bus, the store and the cameras. Without a show, every command of cues is refused."""

    show: ShowFile | None  # the one that is loaded
    text: ShowText | None  # that of the show's file; None where it is from no file
    cameras: Mapping[str, Camera]
    recalls: Recalls
    store: PositionStore
    bus: Bus
    answers: Answers
    calendar: Callable[[], datetime]
    require_not_overtaken: Callable[[str], None]  # raises Refusal for a camera stopped ahead of what is handled
    spawn: Callable[[Coroutine[Any, Any, None]], None]
    once_within_seconds: float
    _loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.get_running_loop)
    _loaded: CueDesk | None = None
    _foreseen: dict[str, tuple[object, Refusal | None]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.show is not None:
            self._loaded = self._desk_of(self.show, self.store.cue_place(self.show.show.name))

    def _desk_of(self, show: ShowFile, place: CuePlace | None) -> CueDesk:
        name, cameras = show.show.name, self.cameras
        return CueDesk(
            name,
            cue_list(show),
            place=place,
            recall=self._recall,
            foresee=self._foresee,
            is_in=self._is_in,
            state=lambda camera: cameras[camera].state() if camera in cameras else None,
            say=self._say,
            on_air=self._on_air,
            keep=lambda place: self.spawn(self._keep(name, place)),
            later=self._loop.call_later,
            start=show.show.start,
            begins_with=show.show.on_air,
            once_within_seconds=self.once_within_seconds,
        )

    # Commands

    @handles(StandbyCommand)
    def stand_by(self, asked: Asked[StandbyCommand]) -> StandbyResult:
        started = self._desk.stand_by(asked.what.number, self._loop.time())
        return StandbyResult(started=[StartedMessage.of(one) for one in started])

    @handles(PlacesCommand)
    def places(self, asked: Asked[PlacesCommand]) -> PlacesResult:
        return PlacesResult.of(self._desk.places())

    @handles(GoCommand)
    def go(self, asked: Asked[GoCommand]) -> GoResult:
        return GoResult.of(self._desk.go(asked.what.number, self._loop.time()))

    @handles(BackCommand)
    def back(self, asked: Asked[BackCommand]) -> None:
        self._desk.back()

    @handles(JumpCommand)
    def jump(self, asked: Asked[JumpCommand]) -> None:
        self._desk.jump(asked.what.number)

    @handles(HoldCommand)
    def hold(self, asked: Asked[HoldCommand]) -> None:
        self._desk.hold()

    @handles(ReleaseCommand)
    def release(self, asked: Asked[ReleaseCommand]) -> None:
        self._desk.release()

    @handles(LoadCommand)
    async def load(self, asked: Asked[LoadCommand]) -> LoadResult:
        if self.show is None or self.text is None:
            raise Refusal("no-cues", NO_CUES)
        async with self.text.alone:
            try:
                show = await self.text.read_show()
            except TextFileError as error:
                raise Refusal(
                    "invalid", f"the show stays as it was loaded, since its file has mistakes: {error}"
                ) from None
            return self._load(show, self.show.show.name)

    def _load(self, show: ShowFile, before: str) -> LoadResult:
        desk = self._desk
        desk.stopped(None)  # what the cues as they were still held back
        place, doubt = desk.place_among(cue_list(show))
        if show.show.name != before:  # what is on air stays as it was, until the next cue runs
            place, doubt = replace(self.store.cue_place(show.show.name) or CuePlace(), on_air=place.on_air), None
        self.show, self._loaded = show, self._desk_of(show, place)
        self.spawn(self._keep(show.show.name, self._loaded.place))
        self._foreseen.clear()
        self._loaded.say_state()
        return LoadResult(show=show.show.name, cues=len(show.cue), warnings=[] if doubt is None else [doubt])

    def require_no_standby_of_what_changes(self, show: ShowFile) -> None:
        """Raise Refusal where a cue in standby is another, or gone, in a show that is to be taken up."""
        cue = self._desk.in_standby
        if cue is not None and cue not in cue_list(show):
            raise Refusal(
                "standby",
                f"cue {cue.number} is in standby and would change: run it, or jump to it, which takes the standby back",
            )

    def take_up(self, show: ShowFile) -> str | None:
        """Go on with the show that is loaded as it is written now; nothing moves, and what waits goes on waiting.

        Return a sentence where the show may stand at another cue now.
        """
        _, doubt = self._desk.place_among(cue_list(show))
        self.show = show
        self._foreseen.clear()
        self._desk.take_up(cue_list(show), start=show.show.start, begins_with=show.show.on_air)
        return doubt

    @property
    def _desk(self) -> CueDesk:
        if self._loaded is None:
            raise Refusal("no-cues", NO_CUES)
        return self._loaded

    # What the desk is to know

    def heard(self, report: CameraState | MoveReport) -> None:
        """Take note of what a camera says."""
        if self._loaded is not None:
            self._loaded.heard(report)

    def stopped(self, camera: str | None) -> None:
        """Take note of a stop of one camera or (None) of all: nothing may start by itself after it."""
        if self._loaded is not None:
            self._loaded.stopped(camera)

    def positions_changed(self) -> None:
        """Take note that a position was stored, renamed, deleted or brought back."""
        if self._loaded is not None:
            self._loaded.positions_changed()

    def still_names(self, camera: str, position: str) -> str | None:
        """Return the warning that the show names a position, with the cues that do; None where it does not."""
        if self.show is None:
            return None
        where = ["its start"] if self.show.show.start.get(camera) == position else []
        where += [
            f"cue {number_text(cue.number)}"
            for cue in self.show.cue
            if any((move.camera, move.position) == (camera, position) for move in cue.move)
        ]
        if not where:
            return None
        return (
            f"the show {self.show.show.name} names {position} of camera {camera} in {', '.join(where)}: change it "
            "there and have the show read anew, or bring the name back"
        )

    def driven(self, camera: str) -> None:
        """Take note that somebody drives a camera by hand."""
        if self._loaded is not None:
            self._loaded.driven(camera)

    def say_on_air(self) -> None:
        """Tell the cameras which of them are on air as the cues have it: it counts where no vision mixer speaks."""
        if self._loaded is not None:
            self._loaded.say_on_air()

    def say_state(self) -> None:
        """Say how the show stands, or that what the broker has kept of an earlier one holds no longer."""
        if self._loaded is not None:
            self._loaded.say_state()
        else:
            self.bus.publish(self.bus.topics.of(CueStateMessage), b"", retain=True)

    # What the desk does

    def _recall(self, move: ListedMove, seen: bool, token: CueToken) -> None:
        name, position = move.camera, move.position
        id = "places" if token.cue is None else f"cue {token.cue}"
        camera = self.cameras.get(name)
        if camera is None:
            refusal = Refusal("unknown-camera", unknown("camera", name, self.cameras))
            self.answers.refused(Asked(self.bus.topics.of(RecallCommand, name), refusal, name, id), refusal)
            return
        try:
            if self.bus.asks_anew:  # its time has come while this daemon stood still
                raise Refusal("stalled", "the daemon stood still, and another may have its cameras now; ask again")
            self.require_not_overtaken(name)
        except Refusal as refusal:
            camera.refuse(position, id, token, refusal)
            return
        self.recalls.start(
            camera, position, move.speed, move.seconds, on_air=move.on_air, seen=seen, id=id, token=token
        )

    def _foresee(self, state: CameraState, move: ListedMove) -> Refusal | None:
        """What would keep a camera at rest from a move; planned anew only where what it depends on has changed."""
        name = state.camera
        depends_on = (move, state.framing, state.tally, self.store.position(name, move.position))
        known, refusal = self._foreseen.get(name, (None, None))
        if known != depends_on:
            refusal = self.recalls.foreseen(self.cameras[name], move.position, move.speed, move.seconds)
            self._foreseen[name] = depends_on, refusal
        return refusal

    def _is_in(self, state: CameraState, position: str) -> bool:
        if state.framing is None or state.position is None:
            return False  # what moves is nowhere
        settings = self.cameras[state.camera].settings
        return self.recalls.stands_in(settings).position(state.framing, position)

    def _on_air(self, on_air: frozenset[str]) -> None:
        for name, camera in sorted(self.cameras.items(), key=lambda each: each[0] not in on_air):  # those first
            camera.set_tally("program" if name in on_air else "off", "cues")

    def _say(self, state: CueState) -> None:
        message = CueStateMessage.of(state, self.calendar())
        self.bus.publish(self.bus.topics.of(CueStateMessage), message.encode(), retain=True)

    async def _keep(self, show: str, place: CuePlace) -> None:
        try:
            await self.store.set_cue_place(show, place)
        except Refusal as refusal:
            log.error("the standing cue is not kept: after a restart it would be another", why=refusal.sentence)
