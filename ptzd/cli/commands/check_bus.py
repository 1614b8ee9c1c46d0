"""What a check hears on the bus: tallies that the broker keeps and, where a daemon is online, what it tells of cameras.

A daemon speaks to its cameras all the time, and a second voice disturbs both: such a camera is not asked.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from ptzd.bus import Incoming, Intake, Topics
from ptzd.bus.commands import TallyCommand
from ptzd.bus.messages import PositionsMessage, StateMessage
from ptzd.cameras import Tally
from ptzd.cli.broker import broker_of
from ptzd.cli.client import Payload, reach, read_object
from ptzd.cli.output import Failure, Misuse
from ptzd.config import Config
from ptzd.line import Framing, out_of_reach
from ptzd.positions import StoredPosition
from ptzd.visca import Dialect

from .check_camera import ASKED
from .check_findings import Finding, Notes

ASK_AGAIN = "a daemon speaks to this camera, so it was not asked; end that and check again"
CUES_TELL = "until one comes, the cues' own takes count; let the vision mixer's be published, retained"
COUNTS_AS_ON_AIR = (
    "until one comes, it counts as on air, and a recall needs --on-air; let the vision mixer's be published, "
    'retained, or, where nobody can, write source = "none" below [tally]'
)


@dataclass(frozen=True, slots=True)
class Bus:
    """What was heard; all empty where no broker answers."""

    findings: list[Finding]
    heard: bool = False  # whether a broker answered
    states: dict[str, Payload] = field(default_factory=dict)  # of the cameras that a daemon speaks to
    positions: list[StoredPosition] = field(default_factory=list)  # as that daemon tells them
    tallies: dict[str, Tally] = field(default_factory=dict)
    since: datetime | None = None  # when that daemon was started


async def listen(config: Config) -> Bus:
    """Hear what the broker keeps."""
    notes = Notes("broker")
    try:
        broker = broker_of(config.broker)
        async with reach(broker) as client:
            notes.ok("answers", f"answers at {broker}")
            tallies = _tallies(config, await client.kept(TallyCommand.on.replace("NAME", "+")))
            status = await client.status() or {}
            if status.get("state") != "online":
                return Bus(notes.findings, heard=True, tallies=tallies)
            cameras = [name for name in config.camera if name in status.get("cameras", ())]
            lives = await client.hear_it_live()
            states = await client.kept(StateMessage.on.replace("NAME", "+"))
            positions = await client.kept(PositionsMessage.on.replace("NAME", "+"))
    except (Failure, Misuse) as error:
        notes.failed("answers", error.message)
        return Bus(notes.findings)
    for trouble in status.get("troubles", ()):
        notes.failed("daemon", f"as it was started: {trouble}")  # as it would be found with no daemon beside
    states_by_name = {topic.split("/")[-2]: read_object(payload) or {} for topic, payload in states.items()}
    if not lives:
        notes.failed(
            "daemon",
            "the broker keeps the word of one that is online, and none is heard: it may be gone or frozen, and what "
            "the broker keeps of its cameras old",
        )
        states_by_name = {}
    elif cameras:
        notes.caution("daemon", "one is online and speaks to the cameras: what only they can tell is not seen now")
    return Bus(
        notes.findings,
        heard=True,
        states={name: states_by_name.get(name, {}) for name in cameras},
        positions=[each for told in positions.values() for each in _stored(told)],
        tallies=tallies,
        since=_moment(status.get("since")),
    )


def tell_of_change(bus: Bus, path: Path) -> list[Finding]:
    """Tell where the configuration that is looked at is newer than what the daemon goes by."""
    try:
        changed = datetime.fromtimestamp(path.stat().st_mtime, UTC)
    except OSError:  # it was read a moment ago
        return []
    if bus.since is None or changed <= bus.since:
        return []
    notes = Notes("configuration")
    notes.caution(
        "daemon",
        f"{path} was changed {changed.astimezone():at %H:%M:%S on %Y-%m-%d}, and the daemon runs since "
        f"{bus.since.astimezone():%H:%M:%S on %Y-%m-%d}: until it is started anew it goes by "
        "what stood there then, windows and links too",
    )
    return notes.findings


def _moment(told: object) -> datetime | None:
    try:
        moment = datetime.fromisoformat(str(told))
    except ValueError:
        return None
    return moment if moment.tzinfo is not None else None


def _tallies(config: Config, kept: dict[str, bytes]) -> dict[str, Tally]:
    intake = Intake(Topics(config.broker.base_topic), calendar=lambda: datetime.now(UTC))
    asked = [intake.read(Incoming(topic, payload, retain=True)) for topic, payload in kept.items()]
    return {each.camera: each.what.tally for each in asked if each.camera and isinstance(each.what, TallyCommand)}


def _stored(told: bytes) -> Iterator[StoredPosition]:
    """Read what a daemon tells of a camera's positions; in which figures they were stored it does not tell."""
    try:
        message = PositionsMessage.model_validate_json(told)
        for each in message.positions:
            lens = (each.zoom_counts, each.focus_counts)
            yield StoredPosition(
                camera=message.camera,
                name=each.name,
                framing=Framing(each.pan_counts, each.tilt_counts, *lens, each.focus_mode),
                dialect=each.dialect,
                speed=each.speed,
                seconds=each.seconds,
                note=each.note,
                stored_at=each.stored_at,
                scales=None if each.pan_deg is not None else "other figures",
                still=each.still,
                provisional=each.provisional,
            )
    except ValueError:  # of another version
        return


def tell_of_tally(config: Config, name: str, bus: Bus, notes: Notes) -> None:
    """Judge whether anybody tells that a camera is on air."""
    if not bus.heard:
        notes.unseen("tally", "no broker answers")
    elif name in bus.tallies:
        over_cues = "" if config.show is None else ", which may be of another evening: see that a vision mixer tells it"
        notes.ok("tally", f"the broker keeps one: {bus.tallies[name]}{over_cues}")
    elif config.tally.source == "none":
        notes.caution("tally", "nobody tells whether it is on air: off air until a message or a cue says otherwise")
    else:
        notes.caution("tally", f"none is kept: {CUES_TELL if config.show is not None else COUNTS_AS_ON_AIR}")


def tell_of_state(state: Payload, dialect: Dialect, notes: Notes) -> None:
    """Note what a daemon tells of a camera that it speaks to. `state` is empty where it has told nothing yet."""
    power = state.get("power")
    if state.get("link") == "down":
        notes.failed("answers", "does not answer the daemon; check its power, its network and its link")
    elif state.get("link") == "up":
        notes.ok("answers", "answers the daemon")
        if power == "on":
            notes.ok("power", "is on")
        elif power in ("standby", "starting"):
            notes.failed("power", f"is {'in standby' if power == 'standby' else 'still starting up'}")
        for fault in map(str, state.get("faults", ())):
            if "digital zoom" in fault:
                notes.caution("digital zoom", fault)
            else:
                notes.failed("head", fault)
        if power == "on":
            notes.unseen_rest(("head",), "the daemon knows of no fault; whether its start-up succeeded is not told")
            _tell_of_framing(state, dialect, notes)
    for lock in state.get("locks", ()):
        notes.caution("locks", f"is locked by {lock.get('by')} ({lock.get('reason') or 'no reason given'})")
    notes.unseen_rest(ASKED, ASK_AGAIN)


def _tell_of_framing(state: Payload, dialect: Dialect, notes: Notes) -> None:
    if (mode := state.get("focus_mode")) is not None:
        notes.ok("focus", "focuses by itself" if mode == "auto" else "is focused by hand")
    pan, tilt, zoom, focus = (state.get(f"{axis}_counts") for axis in ("pan", "tilt", "zoom", "focus"))
    if pan is None or tilt is None or zoom is None or focus is None:
        return
    framing = Framing(pan, tilt, zoom, focus, "auto")
    if (beyond := out_of_reach(dialect, framing)) is not None:
        notes.failed("stands", f"{beyond}, yet there it stands; see whether {dialect.name} is its dialect")
        return
    match state.get("activity"):
        case "at-rest":
            notes.ok("stands", f"stands at pan {state.get('pan_deg'):.1f}°, tilt {state.get('tilt_deg'):.1f}°")
        case "halting":
            notes.failed("stands", "is being stopped, and was not seen to stand still yet; check again once it does")
        case None:
            notes.unseen("stands", "the daemon has not seen it stand still yet; check again")
        case _:
            notes.caution("stands", "the daemon moves it now; check again once it stands")
