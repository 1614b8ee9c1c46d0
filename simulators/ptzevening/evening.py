"""An evening played through: every move of a show leaves when it is expected to, and its time is kept.

The cameras are sent over the bus, at the moments that the rehearsal gives, and the vision mixer's tallies come with
the cues. What the daemon refuses is refused here too.

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
from pathlib import Path
from typing import Any, Literal

from ptzsim.virtual_time import VirtualTimeLoop

from ptzd.motion import HeadModel
from ptzd.show.heads import read_head_file
from ptzd.show.rehearsal import ConflictKind, PlannedMove, Rehearsal, RehearsedCamera, rehearse
from ptzd.show.showfile import ShowFile
from ptzd.visca import AxisScale, Dialect

from .house import Actor, House, open_house

Ended = Literal["settled", "refused", "superseded", "stopped", "failed"]
AWAKE_SECONDS = 0.5  # before an event, in which the daemon asks each camera where it stands
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
    start_seconds: float
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
class Evening:
    """What came of it."""

    rehearsal: Rehearsal
    moves: tuple[PlayedMove, ...]
    seconds: float  # of the show, on the virtual clock
    skipped_seconds: float  # of these, rests that were passed over
    datagrams: int  # in the show, both ways, over all wires


@dataclass(frozen=True, slots=True)
class _Event:
    at: float
    order: int  # of what falls together: who is taken first, then the moves
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
    async with open_house(actors, folder, seed=seed) as house:
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
    for camera, position in show.show.start.items():
        house.say(f"camera/{camera}/recall", position)
    await asyncio.sleep(1.0)
    async with asyncio.timeout(STANDING_SECONDS):
        await house.until_still(show.show.start)
    await asyncio.sleep(STOOD_SECONDS)


class _Stage:
    """The running show: what is to happen, and what has been heard of each move."""

    def __init__(self, house: House, show: ShowFile, rehearsal: Rehearsal) -> None:
        self._house = house
        self._show = show
        self._rehearsal = rehearsal
        self._at_fault = {conflict.moves[0]: conflict.kind for conflict in rehearsal.conflicts if conflict.moves}
        self._loop = asyncio.get_running_loop()
        self._stood: dict[int, str | None] = {}
        self._promised: dict[int, dict[str, Any]] = {}
        self._ended: dict[int, dict[str, Any]] = {}
        self._all_ended = asyncio.Event()
        if not rehearsal.moves:
            self._all_ended.set()
        self._events = sorted(self._takes() + self._moves(), key=lambda event: (event.at, event.order))
        house.hear(self._heard)

    async def run(self, skip_rests: bool, told: Callable[[str, float], None]) -> float:
        """Play it; return how many seconds of rest were passed over."""
        began = self._loop.time()
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
                await self._all_ended.wait()
        return skipped

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
        landing = last["landing"] if last is not None and settled else None
        return PlayedMove(
            index=move.index,
            cue_number=move.cue_number,
            camera=move.camera,
            position=move.position,
            start_seconds=move.start_seconds,
            predicted_seconds=move.needed_seconds,
            least_seconds=move.least_seconds,
            most_seconds=move.most_seconds,
            promised_seconds=None if promised is None else promised["predicted_seconds"],
            simulated_seconds=simulated,
            ended="failed" if last is None else last["phase"],
            way=None if promised is None else promised["way"],
            from_position=move.from_position,
            stood_in=self._stood.get(move.index),
            conflict=self._at_fault.get(move.index),
            in_time=None
            if move.due_seconds is None
            else simulated is not None and move.start_seconds + simulated <= move.due_seconds,
            off_counts=None if landing is None else max(abs(landing["pan_counts"]), abs(landing["tilt_counts"])),
            code="unfinished" if last is None else last["code"],
            sentence=None if last is None else last["sentence"],
        )

    def _takes(self) -> list[_Event]:
        events = []
        for number, stretch in enumerate(self._rehearsal.on_air):
            before = self._rehearsal.on_air[number - 1].camera if number else None

            def take(camera: str = stretch.camera, before: str | None = before) -> None:
                if before is not None:
                    self._house.say(f"camera/{before}/tally", "off")
                self._house.say(f"camera/{camera}/tally", "program")

            events.append(_Event(stretch.from_seconds, 0, take))
        return events

    def _moves(self) -> list[_Event]:
        return [_Event(move.start_seconds, 1 + move.index, partial(self._send, move)) for move in self._rehearsal.moves]

    def _send(self, move: PlannedMove) -> None:
        self._stood[move.index] = self._house.position_of(move.camera)
        wanted = self._show.cue[move.cue_index].move[move.move_index]
        pace = {"speed": wanted.speed, "seconds": wanted.seconds}
        self._house.say(
            f"camera/{move.camera}/recall",
            {"position": move.position, "id": str(move.index), "on_air": wanted.on_air}
            | {key: value for key, value in pace.items() if value is not None},
        )

    def _heard(self, topic: str, message: dict[str, Any]) -> None:
        if not topic.endswith("/move") or message["id"] is None:
            return
        index = int(message["id"])
        if message["phase"] == "accepted":
            self._promised.setdefault(index, message)  # one that goes on air in mid-move is told of again
        elif message["phase"] in ("settled", "refused", "superseded", "stopped", "failed"):
            self._ended[index] = message
            if len(self._ended) == len(self._rehearsal.moves):
                self._all_ended.set()
