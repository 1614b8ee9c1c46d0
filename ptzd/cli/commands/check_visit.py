"""`ptzd check --visit`: every position is gone to, there and back, and how far off it lands is told.

It goes through the running daemon and never past it: locks, windows, stops, tallies and the guard hold as they do in
the show, and `ptzd stop` ends all of it: no camera is sent on after that. The positions of a camera are visited from
the left to the right and back again, so that all but the outermost are come to from both sides: a cable that drags, or
a gear with play, shows as two pictures of one position; a zoom ring that has slipped shows as a picture that is not its
still's, though the counts are right. A camera that is on air, or may be, or is locked is left alone.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass

from rich.progress import BarColumn, MofNCompleteColumn, TextColumn

from ptzd.cameras import CameraSettings
from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import ANSWER_SECONDS, Client, Heard, Payload, reach, sent_at
from ptzd.cli.driving import STOPPED, Following, NotDriven
from ptzd.cli.moving import ENDED
from ptzd.cli.output import Failure
from ptzd.cli.sentences import landing_words
from ptzd.cli.waiting import progress_of
from ptzd.daemon.drift import changes_of
from ptzd.line import Landing
from ptzd.pictures import Similarity
from ptzd.positions import StoredPosition
from ptzd.visca import DialectError

from .check_findings import Finding, Notes

VISIT = "visit"
ENDS = "zoom ends"
LEFT, RIGHT = "from the left", "from the right"
LONGEST_MOVE_SECONDS = 900.0  # at the slowest step from end to end; the daemon ends a move that hangs long before
HEARD_SECONDS = 0.05  # until what was said so far has come
PICTURE_SECONDS = 8.0  # until a picture has come and was held against its still, or nobody could tell


@dataclass(frozen=True, slots=True)
class Arrival:
    """How a camera came to a position once; `drift` is what the daemon told of its picture."""

    side: str
    landing: Payload
    drift: Payload | None


async def visit(
    broker: BrokerAddress,
    cameras: Mapping[str, CameraSettings],
    positions: Sequence[StoredPosition],
    speed: int,
    *,
    with_picture: Container[str],
    ends: bool,
) -> list[Finding]:
    """Visit all positions, camera by camera, at a pan step; `with_picture` names the cameras that have one.

    With `ends`, each zoom is driven to both its ends afterwards, and brought back.

    Raises Failure where no daemon is online.
    """
    ways = {name: _way(settings, positions) for name, settings in cameras.items()}
    async with reach(broker) as client:
        await client.require_daemon()
        await client.listen(["camera/+/state", "camera/+/move", "camera/+/drift", "camera/+/positions", "outcome"])
        columns = (TextColumn("{task.fields[goal]}", markup=False), BarColumn(), MofNCompleteColumn())
        with progress_of(*columns) as progress:
            bar = progress.add_task("", total=sum(map(len, ways.values())), goal="")

            def show(goal: str) -> None:
                progress.update(bar, goal=goal, advance=1)

            states: dict[str, Payload] = {}
            told = []
            visitors: list[_Visitor] = []
            for name, way in ways.items():
                visitor = _Visitor(client, states, cameras[name], speed, show, has_picture=name in with_picture)
                if any(each.stopped for each in visitors):
                    told.append(Finding(f"camera {name}", VISIT, "unseen", "not gone to: the visit was stopped"))
                    continue
                told += await visitor.go(way, ends=ends)
                visitors.append(visitor)
    return told


def _way(settings: CameraSettings, positions: Sequence[StoredPosition]) -> list[StoredPosition]:
    """Return a camera's positions from the left to the right and back, but for those that nobody has framed."""
    placed = []
    for each in positions:
        if each.camera == settings.name and not each.provisional:
            try:
                placed.append((each.framing_for(settings.dialect).pan_counts, each.name, each))
            except DialectError:  # told where positions are looked at
                continue
    there = [each for _, _, each in sorted(placed, key=lambda place: place[:2])]
    return [*there, *there[-2::-1]]


class _Visitor:
    """One camera's visit."""

    def __init__(
        self,
        client: Client,
        states: dict[str, Payload],
        settings: CameraSettings,
        speed: int,
        show: Callable[[str], None],
        *,
        has_picture: bool,
    ) -> None:
        """`states` are what the daemon has told of all cameras, whoever listened."""
        self._client = client
        self._camera = Following(client, states, settings.name)
        self._settings = settings
        self._name = settings.name
        self._speed = speed
        self._show = show
        self._has_picture = has_picture
        self._stills: set[str] = set()  # positions that are known to have one
        self._notes = Notes(f"camera {settings.name}")
        self.stopped = False  # by somebody, who does not want another camera to move in its place

    async def go(self, way: Sequence[StoredPosition], *, ends: bool) -> list[Finding]:
        arrivals: dict[str, list[Arrival]] = {}
        await self._camera.begin()
        if not way:
            self._notes.unseen(VISIT, "no position is stored that could be gone to, or all are provisional")
        try:
            for position in way:
                if (reason := await self._why_not()) is not None:
                    self._notes.unseen(VISIT, f"not gone to {position.name} and what comes after it: {reason}")
                    break
                self._show(f"{self._name} → {position.name}")
                arrival = await self._arrive(position)
                if arrival is None:
                    break
                arrivals.setdefault(position.name, []).append(arrival)
            else:
                if ends and way and await self._why_not() is None:
                    await self._find_ends(back_to=way[-1])
        except asyncio.CancelledError:
            # Whoever lets go of the keyboard wants the head to stand still.
            await self._camera.stop()
            raise
        except Failure as failure:  # what was found so far is not lost with the daemon
            self.stopped = True
            self._notes.failed(VISIT, f"broke off while it may have been on its way, so look at it: {failure.message}")
        blind = [name for name, each in arrivals.items() if not all(arrival.drift for arrival in each)]
        for position in dict.fromkeys(way):
            if position.name in arrivals:
                said, wrong = judged(self._settings, position, arrivals[position.name])
                if wrong:
                    self._notes.failed(VISIT, f"{position.name}: {said}; but {'; '.join(wrong)}")
                elif self._has_picture and position.name in blind:
                    self._notes.unseen(VISIT, f"{position.name}: {said} by its counts; its picture can't tell")
                else:
                    self._notes.ok(VISIT, f"{position.name}: {said}")
        if blind:
            self._notes.unseen(
                VISIT,
                f"whether a zoom ring has slipped in {', '.join(blind)}: not each time there was a picture, a still to "
                "hold it against, and enough in both to tell",
            )
        return self._notes.findings

    async def _why_not(self) -> str | None:
        """Return why it may not be moved on, or None."""
        await self._camera.hear(lambda heard: False, HEARD_SECONDS)
        self.stopped |= self._camera.halted
        return STOPPED if self.stopped else self._camera.why_not()

    async def _arrive(self, position: StoredPosition) -> Arrival | None:
        """Go there; None where it did not get there, which is noted."""
        before = self._camera.state.get("pan_counts")
        wanted = {"position": position.name, "speed": self._speed, "sent_at": sent_at()}
        ticket = await self._client.publish(f"camera/{self._name}/recall", wanted)
        report: Payload = {}

        def answered(heard: Heard) -> bool:
            if heard.payload.get("id") == ticket:
                report.update({"phase": "refused"} if heard.topic == "outcome" else {}, **heard.payload)
            return bool(report)

        def ended(heard: Heard) -> bool:
            return answered(heard) and report["phase"] in ENDED

        if await self._camera.hear(answered, ANSWER_SECONDS) and report["phase"] not in ENDED:
            await self._camera.hear(ended, LONGEST_MOVE_SECONDS)
        self._camera.halted = False
        self.stopped |= report.get("phase") == "stopped"
        if report.get("phase") != "settled" or report.get("landing") is None:
            why = report.get("sentence") or f"the daemon tells no end of the way there ({report.get('phase')})"
            self._notes.failed(VISIT, f"{position.name}: {why}")
            return None
        drift: Payload = {}

        def compared(heard: Heard) -> bool:
            if heard.topic == f"camera/{self._name}/drift" and heard.payload.get("position") == position.name:
                drift.update(heard.payload)
            return bool(drift)

        def kept(heard: Heard) -> bool:
            told = heard.payload.get("positions", ()) if heard.topic == f"camera/{self._name}/positions" else ()
            self._stills.update(each["name"] for each in told if each.get("still") is not None)
            return position.name in self._stills

        if self._has_picture and not (position.still is None and position.name not in self._stills):
            await self._camera.hear(compared, PICTURE_SECONDS)
        elif self._has_picture:  # the daemon keeps one of what it shows now, while the camera stands there
            await self._camera.hear(kept, PICTURE_SECONDS)
        counts = position.framing_for(self._settings.dialect).pan_counts
        side = "from where it stood"
        if before is not None and abs(before - counts) > self._settings.tolerance.pan_counts:
            side = LEFT if before < counts else RIGHT
        return Arrival(side, report["landing"], drift or None)

    async def _find_ends(self, back_to: StoredPosition) -> None:
        """Drive the zoom slowly to both its ends, and tell how far these are from where they are known to be."""
        lens = None if self._settings.optics is None else self._settings.optics.lens
        zoom = self._settings.dialect.zoom
        known = (zoom.wide_counts, zoom.tele_counts) if lens is None else (lens.points[0][0], lens.points[-1][0])
        for name, way, counts in (("wide", -1, known[0]), ("tele", 1, known[1])):
            self._show(f"{self._name} → {name} end")
            try:
                end = await self._camera.to_end("zoom", way)
            except NotDriven as reason:
                self.stopped |= self._camera.halted
                self._notes.unseen(ENDS, f"not driven to: {reason}")
                return
            off = end - counts
            if abs(off) <= self._settings.tolerance.zoom_counts:
                self._notes.ok(ENDS, f"the {name} end is where it was, at {end}")
            else:
                self._notes.caution(
                    ENDS, f"the {name} end is at {end}, {abs(off)} counts {'above' if off > 0 else 'below'} {counts}"
                )
        await self._arrive(back_to)


def judged(settings: CameraSettings, position: StoredPosition, arrivals: Sequence[Arrival]) -> tuple[str, list[str]]:
    """Return how a camera came to a position, and what is wrong with it there, in words."""
    said = "; ".join(f"{each.side}{landing_words(each.landing)}" for each in arrivals)
    wrong = [str(each.drift["sentence"]) for each in arrivals if each.drift and each.drift.get("drifted")]
    return said, list(dict.fromkeys([*wrong, *_from_both_sides(settings, position, arrivals)]))


def _from_both_sides(settings: CameraSettings, position: StoredPosition, arrivals: Sequence[Arrival]) -> Iterator[str]:
    """Yield what the picture shows otherwise from the left than from the right, in words."""
    seen = {each.side: (each.landing, each.drift) for each in arrivals if each.drift is not None}
    if LEFT not in seen or RIGHT not in seen:
        return
    (landed_left, left), (landed_right, right) = seen[LEFT], seen[RIGHT]
    assert left is not None and right is not None
    apart = {what: left[what] - right[what] for what in ("right", "up", "larger", "roll_deg")}
    between = {what: (landed_left[what] or 0) - (landed_right[what] or 0) for what in Landing.__slots__}
    found = Similarity(**apart, sure=min(left["sure"], right["sure"]))
    changes, _ = changes_of(settings, position, Landing(**between), found)
    if changes:
        yield f"{LEFT} it shows all {', '.join(changes)} against {RIGHT}: a cable drags, or a gear has play"
