"""`ptzd check --visit`: every position is gone to, there and back, and how far off it lands is told.

It goes through the running daemon and never past it: locks, windows, stops, tallies and the guard hold as they do in
the show, and `ptzd stop` ends it like any move. The positions of a camera are visited from the left to the right and
back again, so that all but the outermost are come to from both sides: a cable that drags, or a gear with play, shows as
two pictures of one position; a zoom ring that has slipped shows as a picture that is not its still's, though the counts
are right. A camera that is on air, or may be, or is locked is left alone.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

from ptzd.cameras import CameraSettings, Landing
from ptzd.cameras.reports import counts_as_on_air
from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import ANSWER_SECONDS, Client, Heard, reach, sent_at
from ptzd.cli.console import Console
from ptzd.cli.moving import ENDED
from ptzd.cli.sentences import landing_words
from ptzd.daemon.drift import changes_of
from ptzd.pictures import Similarity
from ptzd.positions import StoredPosition
from ptzd.visca import DialectError

from .check_findings import Finding, Notes

Payload = dict[str, Any]
VISIT = "visit"
LONGEST_MOVE_SECONDS = 900.0  # at the slowest step from end to end; the daemon ends a move that hangs long before
PICTURE_SECONDS = 6.0  # until a picture has come and was held against its still, or nobody could tell
STATE_SECONDS = 2.0


@dataclass(frozen=True, slots=True)
class Arrival:
    """How a camera came to a position once; `drift` is what the daemon told of its picture."""

    side: str
    landing: Payload
    drift: Payload | None


async def visit(
    broker: BrokerAddress, cameras: Mapping[str, CameraSettings], positions: Sequence[StoredPosition], speed: int
) -> list[Finding]:
    """Visit all positions, camera by camera, at a pan step. Raises Failure where no daemon is online."""
    ways = {name: _way(settings, positions) for name, settings in cameras.items()}
    async with reach(broker) as client:
        await client.require_daemon()
        await client.listen(["camera/+/state", "camera/+/move", "camera/+/drift", "outcome"])
        with Progress(
            TextColumn("{task.fields[goal]}", markup=False),
            BarColumn(),
            MofNCompleteColumn(),
            console=Console(stderr=True),
            transient=True,
            disable=not sys.stderr.isatty(),
        ) as progress:
            bar = progress.add_task("", total=sum(map(len, ways.values())), goal="")

            def show(goal: str) -> None:
                progress.update(bar, goal=goal, advance=1)

            told = [await _Visitor(client, cameras[name], speed, show).go(way) for name, way in ways.items()]
    return [finding for each in told for finding in each]


def _way(settings: CameraSettings, positions: Sequence[StoredPosition]) -> list[StoredPosition]:
    """Return a camera's positions from the left to the right and back."""
    placed = []
    for each in positions:
        if each.camera == settings.name:
            try:
                placed.append((each.framing_for(settings.dialect).pan_counts, each.name, each))
            except DialectError:  # told where positions are looked at
                continue
    there = [each for _, _, each in sorted(placed, key=lambda place: place[:2])]
    return [*there, *there[-2::-1]]


class _Visitor:
    """One camera's visit."""

    def __init__(self, client: Client, settings: CameraSettings, speed: int, show: Callable[[str], None]) -> None:
        self._client = client
        self._settings = settings
        self._name = settings.name
        self._speed = speed
        self._show = show
        self._notes = Notes(f"camera {settings.name}")
        self._state: Payload = {}

    async def go(self, way: Sequence[StoredPosition]) -> list[Finding]:
        arrivals: dict[str, list[Arrival]] = {}
        await self._hear(lambda heard: bool(self._state), STATE_SECONDS)
        try:
            for position in way:
                if (reason := self._why_not()) is not None:
                    self._notes.unseen(VISIT, f"not gone to {position.name} and what comes after it: {reason}")
                    break
                self._show(f"{self._name} → {position.name}")
                arrival = await self._arrive(position)
                if arrival is None:
                    break
                arrivals.setdefault(position.name, []).append(arrival)
        except asyncio.CancelledError:
            # Whoever lets go of the keyboard wants the head to stand still.
            await self._client.publish(f"camera/{self._name}/stop", {})
            raise
        for position in dict.fromkeys(way):
            if position.name in arrivals:
                self._tell(position, arrivals[position.name])
        blind = [name for name, each in arrivals.items() if not all(arrival.drift for arrival in each)]
        if blind:
            self._notes.unseen(
                VISIT, f"a slipped zoom ring in {', '.join(blind)}: there no picture was held against a still each time"
            )
        return self._notes.findings

    def _why_not(self) -> str | None:
        """Return why the camera may not be moved now, or None."""
        state = self._state
        if not state:
            return "the daemon tells nothing of it"
        if state.get("locks"):
            return "it is locked"
        if counts_as_on_air(state.get("tally", "unknown")):
            return f"its tally is {state.get('tally')}, and only a camera that is known to be off air is visited"
        if (state.get("link"), state.get("power")) != ("up", "on"):
            return "it does not answer, or is not on"
        return None

    async def _arrive(self, position: StoredPosition) -> Arrival | None:
        """Go there; None where it did not get there, which is noted."""
        before = self._state.get("pan_counts")
        wanted = {"position": position.name, "speed": self._speed, "sent_at": sent_at()}
        ticket = await self._client.publish(f"camera/{self._name}/recall", wanted)
        report: Payload = {}

        def answered(heard: Heard) -> bool:
            if heard.payload.get("id") == ticket:
                report.update({"phase": "refused"} if heard.topic == "outcome" else {}, **heard.payload)
            return bool(report)

        def ended(heard: Heard) -> bool:
            return answered(heard) and report["phase"] in ENDED

        if await self._hear(answered, ANSWER_SECONDS) and report["phase"] not in ENDED:
            await self._hear(ended, LONGEST_MOVE_SECONDS)
        if report.get("phase") != "settled" or report.get("landing") is None:
            why = report.get("sentence") or f"the daemon tells no end of the way there ({report.get('phase')})"
            self._notes.failed(VISIT, f"{position.name}: {why}")
            return None
        drift: Payload = {}

        def compared(heard: Heard) -> bool:
            if heard.topic == f"camera/{self._name}/drift" and heard.payload.get("position") == position.name:
                drift.update(heard.payload)
            return bool(drift)

        if position.still is not None:
            await self._hear(compared, PICTURE_SECONDS)
        counts = position.framing_for(self._settings.dialect).pan_counts
        side = "from where it stood"
        if before is not None and abs(before - counts) > self._settings.tolerance.pan_counts:
            side = "from the left" if before < counts else "from the right"
        return Arrival(side, report["landing"], drift or None)

    async def _hear(self, enough: Callable[[Heard], bool], seconds: float) -> bool:
        """Listen until what was heard of this camera is enough; return whether it was, within so many seconds."""
        try:
            async with asyncio.timeout(seconds):
                while True:
                    heard = await self._client.hear()
                    if heard.topic == f"camera/{self._name}/state":
                        self._state = heard.payload
                    if enough(heard):
                        return True
        except TimeoutError:
            return False

    def _tell(self, position: StoredPosition, arrivals: Sequence[Arrival]) -> None:
        said = "; ".join(f"{each.side}{landing_words(each.landing)}" for each in arrivals)
        troubles = [str(each.drift["sentence"]) for each in arrivals if each.drift and each.drift.get("drifted")]
        troubles += self._unlike(position, arrivals)
        if troubles:
            self._notes.failed(VISIT, f"{position.name}: {said}; but {'; '.join(dict.fromkeys(troubles))}")
        else:
            self._notes.ok(VISIT, f"{position.name}: {said}")

    def _unlike(self, position: StoredPosition, arrivals: Sequence[Arrival]) -> list[str]:
        """Return what the picture shows otherwise from one side than from the other, in words."""
        seen = {each.side: each for each in arrivals if each.drift is not None}
        left, right = seen.get("from the left"), seen.get("from the right")
        if left is None or right is None or left.drift is None or right.drift is None:
            return []
        seen_left, seen_right = left.drift, right.drift
        apart = {what: seen_left[what] - seen_right[what] for what in ("right", "up", "larger", "roll_deg")}
        found = Similarity(**apart, sure=min(seen_left["sure"], seen_right["sure"]))
        between = {what: (left.landing[what] or 0) - (right.landing[what] or 0) for what in Landing.__slots__}
        changes, _ = changes_of(self._settings, position, Landing(**between), found)
        if not changes:
            return []
        return [
            f"from the left it shows all {', '.join(changes)} against from the right: a cable drags, or a gear has play"
        ]
