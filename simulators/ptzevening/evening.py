"""An evening played through: its cues are run as at a show, and the time of every move is kept.

Somebody runs the cues over the bus, a standby right after each `go`, as the rehearsal has it, and the vision mixer's
tallies come with the cues. Which camera is sent when is the daemon's own affair; what it refuses is refused here too.

Theory of the skipped rests. While no camera moves and nothing is under way, the daemon does nothing but ask each
camera once a second where it stands. A real evening is full of that, and playing it teaches nothing; so the clock may
be set forward over such a rest, to shortly before the next event: what was due meanwhile then happens once, late.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import partial
from math import inf
from pathlib import Path
from typing import Any, Literal

from ptzsim.virtual_time import VirtualTimeLoop

from ptzd.files import ShowFile, number_text
from ptzd.motion import HeadModel
from ptzd.positions import read_head_file
from ptzd.rehearsal import SWEEP_SECONDS, ConflictKind, PlannedMove, Rehearsal, RehearsedCamera, rehearse
from ptzd.visca import AxisScale, Dialect

from .house import Actor, House, open_house

# Beside what the daemon says: `stood` there already and was not sent; `left-behind` by its cue, while it was on air.
Ended = Literal["settled", "refused", "superseded", "stopped", "failed", "stood", "left-behind"]
AWAKE_SECONDS = 0.5  # before an event, in which the daemon asks each camera where it stands
BEFORE_SECONDS = 0.01  # a move leaves, in which it is noted where its camera stands
STOOD_SECONDS = 2.0  # after the last has reached its place, before the show begins
AFTER_SECONDS = 60.0  # in which the last moves may come to their end
STANDING_SECONDS = 600.0  # in which all cameras reach the positions that they start from, or learn their heads
LEARNING_DEG = 60.0  # to either side, where the head reaches so far
_STEP_SECONDS = 0.25
PLAYING = "playing the show"


@dataclass(frozen=True, slots=True)
class PlayedMove:
    """A move as it was expected and as it went."""

    index: int  # in the rehearsal's moves
    cue_number: float
    camera: str
    position: str
    start_seconds: float  # when it was to leave
    left_seconds: float | None  # when it left; None where it did not
    predicted_seconds: float  # from the start to settled
    least_seconds: float
    most_seconds: float
    promised_seconds: float | None  # by the daemon, as it left, for comparison; None where it was refused
    simulated_seconds: float | None  # None where it did not settle
    ended: Ended
    way: str | None
    from_position: str | None  # that the rehearsal had it leave from
    stood_in: str | None  # that the camera stood in as it left
    conflict: ConflictKind | None  # in which the rehearsal found this move at fault
    in_time: bool | None  # settled when it must be; None where nothing needs it
    off_counts: int | None  # of pan or tilt, the worse, where it settled
    code: str | None
    sentence: str | None

    @property
    def difference_seconds(self) -> float | None:
        """Simulated less predicted by the rehearsal; None where it did not settle."""
        return None if self.simulated_seconds is None else self.simulated_seconds - self.predicted_seconds


@dataclass(frozen=True, slots=True)
class PlayedSweep:
    """A camera that is switched on in the show, as it was expected to sweep its range and as it did."""

    cue_number: float
    camera: str
    predicted_seconds: float
    simulated_seconds: float | None  # until the daemon knew that it was ready; None where that did not come about


@dataclass(frozen=True, slots=True)
class Evening:
    """What came of it."""

    rehearsal: Rehearsal
    moves: tuple[PlayedMove, ...]
    sweeps: tuple[PlayedSweep, ...]
    seconds: float  # of the show, on the virtual clock
    skipped_seconds: float  # of these, rests that were passed over
    datagrams: int  # in the show, both ways, over all wires


@dataclass(frozen=True, slots=True)
class _Event:
    at: float
    order: float  # of what falls together: a cue's take, then its `go`, then the standby for the next
    do: Callable[[], None]


async def play(
    show: ShowFile,
    actors: Mapping[str, Actor],
    folder: Path,
    *,
    seed: int,
    learn: bool,
    skip_rests: bool,
    told: Callable[[str, float], None] = lambda doing, share: None,
) -> Evening:
    """Play a show on the running VirtualTimeLoop. `folder` is for the daemon's store and must be empty.

    With `learn` the daemon first measures each head, and the prediction is made with what it learned; otherwise with
    the heads that `actors` have. `told` hears how far it is, as words and a share of 1. Raises ValueError for a camera
    or a position of the show's that there is not.
    """
    # Each go is meant: cues may be as close together as the file has them.
    async with open_house(actors, folder, seed=seed, show=show, once_within_seconds=0.0) as house:
        for name in actors:
            house.say(f"camera/{name}/tally", "off")  # as a vision mixer says of each as it starts
        heads = {name: actor.settings.head for name, actor in actors.items()}
        if learn:
            heads |= await _learned(house, {name: actor.settings.dialect for name, actor in actors.items()}, told)
        rehearsal = rehearse(show, {name: _rehearsed(actor, heads[name]) for name, actor in actors.items()})
        await _take_places(show, house)
        stage = _Stage(house, show, rehearsal)
        datagrams = _datagrams(house)
        skipped = await stage.run(skip_rests, told)
        return Evening(
            rehearsal=rehearsal,
            moves=tuple(stage.played(move) for move in rehearsal.moves),
            sweeps=stage.sweeps(),
            seconds=rehearsal.seconds,
            skipped_seconds=skipped,
            datagrams=_datagrams(house) - datagrams,
        )


def _rehearsed(actor: Actor, head: HeadModel) -> RehearsedCamera:
    positions = {position.name: position for position in actor.positions}
    return RehearsedCamera(replace(actor.settings, head=head), positions, actor.focus_by_itself)


def _datagrams(house: House) -> int:
    return sum(wire.datagrams for wire in house.wires.values())


def _middle(axis: AxisScale) -> tuple[float, float]:
    least, most = axis.degrees(axis.least_counts), axis.degrees(axis.most_counts)
    return max(least, -LEARNING_DEG), min(most, LEARNING_DEG)


async def _learned(
    house: House, dialects: Mapping[str, Dialect], told: Callable[[str, float], None]
) -> dict[str, HeadModel]:
    """Let the daemon measure every head, all at once. Raises ValueError where it can't."""
    cameras = list(dialects)
    ended: dict[str, dict[str, Any]] = {}
    all_ended = asyncio.Event()
    shares = dict.fromkeys(cameras, 0.0)

    def heard(topic: str, message: dict[str, Any]) -> None:
        if topic == "outcome" and message["id"] in cameras:
            ended[message["id"]] = message
            if len(ended) == len(cameras):
                all_ended.set()
        elif topic.endswith("/learn-progress"):
            shares[message["camera"]] = message["done"] / max(1, message["of"])
            told("learning the heads", sum(shares.values()) / len(shares))

    house.hear(heard)
    for camera, dialect in dialects.items():
        # A simulated head has nothing near it that it could hit.
        ranges = {"pan_deg": _middle(dialect.pan), "tilt_deg": _middle(dialect.tilt), "near_ends": True}
        house.say(f"camera/{camera}/learn", {"id": camera, **ranges})
    await all_ended.wait()
    heads = {}
    for camera in cameras:
        if not ended[camera]["ok"]:
            raise ValueError(f"the simulated head of camera {camera} can't be learned: {ended[camera]['sentence']}")
        learned = read_head_file(house.heads.path(camera))
        assert learned is not None
        heads[camera] = learned.model
    return heads


async def _take_places(show: ShowFile, house: House) -> None:
    for camera in {camera for cue in show.cue for camera in cue.switch_on} - show.show.start.keys():
        house.switch_off(camera)  # only a cue switches it on
    for camera, position in show.show.start.items():
        house.say(f"camera/{camera}/recall", position)
    await asyncio.sleep(1.0)
    async with asyncio.timeout(STANDING_SECONDS):
        await house.until_still(show.show.start)
        await house.until(lambda: house.knows_its_cameras)
    await asyncio.sleep(STOOD_SECONDS)


class _Stage:
    """The running show: what is to happen, and what has been heard of each move."""

    def __init__(self, house: House, show: ShowFile, rehearsal: Rehearsal) -> None:
        self._house = house
        self._show = show
        self._rehearsal = rehearsal
        # In which conflict each move is at fault.
        self._at_fault = {conflict.moves[0]: conflict.kind for conflict in rehearsal.conflicts if conflict.moves}
        self._parts: dict[tuple[str, str, str], int] = {}  # which move is meant, by camera, cue and position
        for move in rehearsal.moves:
            self._parts.setdefault((move.camera, number_text(move.cue_number), move.position), move.index)
        self._loop = asyncio.get_running_loop()
        self._began = self._loop.time()
        self._stood: dict[int, str | None] = {}
        self._left: dict[int, float] = {}
        self._promised: dict[int, dict[str, Any]] = {}
        self._ended: dict[int, dict[str, Any]] = {}
        events = self._takes() + self._cues() + self._switches() + self._notes()
        self._events = sorted(events, key=lambda event: (event.at, event.order))
        house.hear(self._heard)

    async def run(self, skip_rests: bool, told: Callable[[str, float], None]) -> float:
        """Play it; return how many seconds of rest were passed over."""
        began = self._began = self._loop.time()
        skipped = 0.0
        end = self._rehearsal.seconds
        for event in self._events:
            if skip_rests:
                skipped += await self._skip_towards(began + event.at)
            await asyncio.sleep(began + event.at - self._loop.time())
            event.do()
            told(PLAYING, event.at / end if end else 1.0)
        with suppress(TimeoutError):  # what has not ended by then has not ended well
            async with asyncio.timeout(AFTER_SECONDS):
                await asyncio.sleep(AWAKE_SECONDS)  # whatever leaves has left by then
                await self._house.until(self._over)
        return skipped

    def _over(self) -> bool:
        """Whether nothing is under way that has an end."""
        return self._promised.keys() <= self._ended.keys() and self._house.knows_its_cameras

    async def _skip_towards(self, at: float) -> float:
        """Pass over the rest of the time in which nothing moves, but for the last moments before `at`."""
        loop = self._loop
        assert isinstance(loop, VirtualTimeLoop)
        while at - loop.time() > AWAKE_SECONDS + 2 * _STEP_SECONDS:
            await asyncio.sleep(_STEP_SECONDS)  # what was asked for just now is under way then
            if self._house.still:
                seconds = at - AWAKE_SECONDS - loop.time()
                loop.pass_over(seconds)
                return seconds
        return 0.0

    def played(self, move: PlannedMove) -> PlayedMove:
        """Return what became of a move."""
        last = self._ended.get(move.index)
        promised = self._promised.get(move.index)
        settled = last is not None and last["phase"] == "settled"
        simulated = last["measured_seconds"] if last is not None and settled else None
        left = self._left.get(move.index)
        stood = promised is None and self._stood.get(move.index) == move.position
        ended: Ended = last["phase"] if last is not None else "stood" if stood else "failed"
        landing = last["landing"] if last is not None and settled else None
        return PlayedMove(
            index=move.index,
            cue_number=move.cue_number,
            camera=move.camera,
            position=move.position,
            start_seconds=move.start_seconds,
            left_seconds=left,
            predicted_seconds=move.needed_seconds,
            least_seconds=move.least_seconds,
            most_seconds=move.most_seconds,
            promised_seconds=None if promised is None else promised["predicted_seconds"],
            simulated_seconds=simulated,
            ended=ended,
            way=None if promised is None else promised["way"],
            from_position=move.from_position,
            stood_in=self._stood.get(move.index),
            conflict=self._at_fault.get(move.index),
            in_time=None
            if move.due_seconds is None
            else ended == "stood"
            or (simulated is not None and left is not None and left + simulated <= move.due_seconds),
            off_counts=None if landing is None else max(abs(landing["pan_counts"]), abs(landing["tilt_counts"])),
            code=None if last is None else last["code"],
            sentence=None if last is None else last["sentence"],
        )

    def sweeps(self) -> tuple[PlayedSweep, ...]:
        """Return what became of the cameras that were switched on, in the order of the cues."""
        swept = list(self._house.sweeps)
        played = []
        for cue in self._rehearsal.cues:
            for camera in cue.switch_on:
                sweep = next((each for each in swept if each.camera == camera), None)
                if sweep is not None:
                    swept.remove(sweep)
                seconds = None if sweep is None else sweep.ready_at - sweep.switched_at
                played.append(PlayedSweep(cue.number, camera, SWEEP_SECONDS, seconds))
        return tuple(played)

    def _takes(self) -> list[_Event]:
        events = []
        cues = {cue.number: cue.index for cue in self._rehearsal.cues}
        for number, stretch in enumerate(self._rehearsal.on_air):
            before = self._rehearsal.on_air[number - 1].camera if number else None

            def take(camera: str = stretch.camera, before: str | None = before) -> None:
                if before is not None:
                    self._house.say(f"camera/{before}/tally", "off")
                self._house.say(f"camera/{camera}/tally", "program")

            cue = -1 if stretch.cue_number is None else cues[stretch.cue_number]
            events.append(_Event(stretch.from_seconds, cue, take))
        return events

    def _cues(self) -> list[_Event]:
        """Each `go`, and a standby for the next cue right after it."""
        cues = self._rehearsal.cues
        standbys = [0.0, *(cue.at_seconds for cue in cues[:-1])]
        events = []
        for cue, standby in zip(cues, standbys, strict=True):
            number = {"number": number_text(cue.number)}
            events.append(_Event(standby, cue.index - 0.4, partial(self._house.say, "cue/standby", number)))
            events.append(_Event(cue.at_seconds, cue.index + 0.2, partial(self._house.say, "cue/go", number)))
        return events

    def _switches(self) -> list[_Event]:
        return [
            _Event(cue.at_seconds, cue.index + 0.1, partial(self._house.switch_on, camera))
            for cue in self._rehearsal.cues
            for camera in cue.switch_on
        ]

    def _notes(self) -> list[_Event]:
        """Where each camera stands, just before it leaves."""

        def note(move: PlannedMove) -> None:
            self._stood[move.index] = self._house.position_of(move.camera)

        return [
            _Event(max(0.0, move.start_seconds - BEFORE_SECONDS), -inf, partial(note, move))
            for move in self._rehearsal.moves
        ]

    def _heard(self, topic: str, message: dict[str, Any]) -> None:
        if topic == "outcome" and message["result"] is not None:
            self._gone(message["result"])
        if not topic.endswith("/move") or message["id"] is None:
            return
        index = self._parts.get((message["camera"], message["id"].removeprefix("cue "), message["position"]))
        if index is None:
            return
        if message["phase"] == "accepted":
            self._promised.setdefault(index, message)  # one that goes on air in mid-move is told of again
            self._left.setdefault(index, self._loop.time() - self._began)
        elif message["phase"] in ("settled", "refused", "superseded", "stopped", "failed"):
            self._ended[index] = message

    def _gone(self, result: dict[str, Any]) -> None:
        """Take note of what a `go` left behind."""
        for camera in result.get("overtaken", ()):
            index = self._parts.get((camera["camera"], result["cue"]["number"], camera["position"]))
            if index is not None and camera["code"] == "left-behind":
                self._ended[index] = {"phase": "left-behind", "code": "left-behind", "sentence": camera["sentence"]}
