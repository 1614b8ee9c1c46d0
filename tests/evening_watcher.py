"""An independent watcher of an evening: it knows where the simulated heads truly are, and holds what is said to that.

It shares nothing with how the daemon judges. It reads true counts, motors, lens, power and network of the simulated
cameras; the messages that were published; and a short book of its own: which framing each position has, who holds which
camera locked, which cue comes next, and where the drawn show wants each camera then.

What it holds true, of everything that is said while a daemon serves and the broker runs:

- *online*: a daemon serves. (That a daemon has died without a word, nobody can know before its will is said.)
- *settled*, in the moment in which it is said: no motor turns, and the camera reports the framing that its position had
  as the move was asked for.
- *stopped*, which a state tells as "at-rest": no motor of head or zoom turns.
- *stands in a position*: the counts are those of the position, within tolerance and one more, the focus mode too.
- *locked*: by those who hold a lock, and by nobody else. While it is said of a camera that answers, no motor turns for
  longer than it takes to brake.
- *tally*, and who tells it: what the vision mixer said last, of a camera of which it has said something to this daemon,
  unless that was kept from before and the cues have the camera on program; else what the cues have taken, where there
  is a show; else "off" if the configuration says that nobody tells, and "unknown" if it does not.
- *up*, *on*: the camera can be heard; it is powered and does not sweep its range.
- *ready*: each camera that the next cue takes or moves stands still in the framing that the cue wants it in, or moves
  it from, is on, can be heard and is not locked; and what is to be moved on air has a position to go to.
- *next cue*: as the cues that were asked for have it.

- *done*, of a `go`: each of its moves on air that leaves at once has set out, or is named as one that does not; and the
  camera that it takes stands still where the cue wants it, and is not locked, or is named. Of
  `places`: who is said to stand stands in its framing, and who is said to be sent is on its way.

No move sets out while its camera is held locked, nor off air while its tally is "program" or unknown and it asks first.

None of it may be said where it is not so. What comes about by what the daemon does or hears is known to it at once
(`AT_ONCE_SECONDS`); what happens to a camera from outside, it has to find out: `FOUND_OUT_SECONDS`; `SILENCE_SECONDS`
for a network that went away, or since the order that was given to the silent camera, and a move on air gives orders all
the way; `MENU_SECONDS` for what is changed at a camera's own menu, which is rarely asked for. And where it is so, it
must be said within `WITHHELD_SECONDS`. Two things more must not be: a fault told of a camera, or a move that failed,
where nothing had happened to it.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ptzevening import House

from ptzd.bus import Said

AT_ONCE_SECONDS = 0.06
HEARD_SECONDS = 0.1  # from the broker to the daemon
BRAKING_SECONDS = 1.0  # the fastest step of any head, at the softest brakes that are drawn
FOUND_OUT_SECONDS = 1.5
SILENCE_SECONDS = 3.5  # the protocol's repeats go on for 3.1 s
MENU_SECONDS = 7.0  # 15 looks, 0.3 s and an answer of up to 0.17 s apart
WITHHELD_SECONDS = 3.0
LOOK_SECONDS = 0.1
UNDER_WAY = ("accepted", "slewing", "settling")


@dataclass(frozen=True)
class Counts:
    """A framing in counts, and how it is focused."""

    pan: int
    tilt: int
    zoom: int
    focus: int
    by_itself: bool


@dataclass(frozen=True)
class DrawnMove:
    """A camera's part in a drawn cue."""

    camera: str
    position: str
    on_air: bool = False
    after_seconds: float = 0.0  # on air after its cue, off air after the cue before


@dataclass(frozen=True)
class DrawnCue:
    """One cue of a drawn show."""

    number: int
    take: str | None
    moves: tuple[DrawnMove, ...]


@dataclass
class Book:
    """What the watcher keeps of the evening by itself."""

    cues: Sequence[DrawnCue]
    start: Mapping[str, str]  # where the show begins, by camera
    positions: dict[str, dict[str, Counts]]
    asks_first: frozenset[str] = frozenset()  # the cameras that go on air only if that is said
    unasked: set[str] = field(default_factory=set)  # the ids of recalls that do not say so
    holders: dict[str, set[str]] = field(default_factory=dict)  # who holds each camera locked
    standing: int | None = None  # the index of the cue that was run last
    next: int | None = 0  # and of the next
    shown: frozenset[str] | None = frozenset()  # what the cues have on air; None: there is no show
    begins_with: str | None = None  # the camera that is on air as the show begins
    off_air_untold: bool = True  # the configuration says that nobody tells
    outside: dict[str, float] = field(default_factory=dict)  # when something last happened to a camera from outside
    excused: dict[str, float] = field(default_factory=dict)  # the same, since the last order that was taken

    def stand_before(self, index: int, *, anew: bool = False) -> None:
        """Make a cue the next, as though all before it had been run; what is on air stays so, or begins `anew`."""
        self.standing, self.next = (index - 1 if index else None), index
        self.shows_standing(beside=not anew)

    def went(self, index: int) -> None:
        """Make a cue the standing one."""
        self.standing, self.next = index, index + 1 if index + 1 < len(self.cues) else None
        self.shows_standing(beside=self.cues[index].take is None)

    def shows_standing(self, *, beside: bool) -> None:
        """Have that on air which the standing cue would show, `beside` what is on air already or in its place."""
        if self.shown is not None:
            cues = self.cues[: 0 if self.standing is None else self.standing + 1]
            takes = [self.begins_with, *(cue.take for cue in cues)]
            taken = [take for take in takes if take is not None][-1:]
            self.shown = frozenset(taken) | (self.shown if beside else frozenset())

    def untold_tally(self, camera: str) -> tuple[str, str | None]:
        """The tally of a camera of which no vision mixer has spoken, and who tells it."""
        if self.shown is not None:
            return ("program" if camera in self.shown else "off"), "cues"
        return ("off", "configuration") if self.off_air_untold else ("unknown", None)

    def framing_before(self, index: int, camera: str) -> str | None:
        """Where the cues before have sent a camera, or where the show begins for it."""
        for cue in reversed(self.cues[:index]):
            for move in cue.moves:
                if move.camera == camera:
                    return move.position
        return self.start.get(camera)


@dataclass(frozen=True)
class Wrong:
    """Something that was said and not so, or so and not said."""

    kind: str
    at: float
    sentence: str


class Watcher:
    """Holds an evening to the rules above; `wrongs` has what it found."""

    def __init__(self, house: House, book: Book, tell: Callable[[str], None]) -> None:
        """`tell` hears all that is said and found, a line each."""
        self.wrongs: list[Wrong] = []
        self.states: dict[str, dict[str, Any]] = {}
        self.cue: dict[str, Any] | None = None
        self.online = False
        self.will_is_out = False  # a daemon has died, and the broker has not noticed yet
        self.tally: dict[str, str] = {}  # as it was told
        self.kept: set[str] = set()  # cameras of whose tally only what the broker had kept is known
        self._house = house
        self.book = book
        self._tell = tell
        self._loop = asyncio.get_running_loop()
        self._since: dict[tuple[str, str], float] = {}
        self._told: set[tuple[str, str]] = set()
        self._hindered_by = ""  # the camera that keeps the next cue from being ready
        self._steady_since: dict[str, tuple[float, Counts]] = {}
        self._said_at = -1.0  # when something was said last
        self._silent_since: dict[str, float] = {}
        self._ordered: dict[str, float] = {}  # when a camera last took an order
        self._recalled: dict[tuple[str, str | None], tuple[str, Counts | None]] = {}
        self._when_ok: dict[str, Callable[[dict[str, Any]], None]] = {}
        house.broker.listen(self._hear)

    async def watch(self) -> None:
        """Look until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_SECONDS)

    # What is so

    def _heard(self, camera: str) -> bool:
        now = self._loop.time()
        if now >= self._house.wires[camera].camera.silent_until:
            self._silent_since.pop(camera, None)
            return True
        self._silent_since.setdefault(camera, now)
        return False

    def _on(self, camera: str) -> bool:
        simulated = self._house.wires[camera].camera
        return simulated.body.powered and not simulated.head.starting(self._loop.time())

    def turns(self, camera: str) -> bool:
        """Whether a motor of head or zoom turns."""
        simulated, now = self._house.wires[camera].camera, self._loop.time()
        return simulated.head.moving(now) or simulated.lens.zoom.moving(now)

    def counts(self, camera: str) -> Counts:
        """What a camera reports."""
        simulated, now = self._house.wires[camera].camera, self._loop.time()
        head, lens = simulated.head, simulated.lens
        return Counts(
            head.pan_counts(now), head.tilt_counts(now), lens.zoom_counts(now), lens.focus_counts(now), lens.autofocus
        )

    def stands_in(self, camera: str, wanted: Counts | None) -> bool | None:
        """Whether it reports this framing; None where that is a matter of one count."""
        if wanted is None:
            return False
        here = self.counts(camera)
        off = [abs(here.pan - wanted.pan), abs(here.tilt - wanted.tilt), abs(here.zoom - wanted.zoom)]
        if not wanted.by_itself:
            off.append(abs(here.focus - wanted.focus))
        if here.by_itself != wanted.by_itself or max(off) > 2:
            return False
        return True if max(off) <= 1 else None

    def _stands_in_named(self, camera: str, position: str | None) -> bool | None:
        return self.stands_in(camera, self.book.positions[camera].get(position or ""))

    def _locked(self, camera: str) -> bool:
        return bool(self.book.holders.get(camera))

    def _fit(self, camera: str) -> str | None:
        """Why a camera can't have any part in a cue now; None where it can."""
        if not self._heard(camera):
            return f"{camera} can't be heard"
        if not self._on(camera):
            return f"{camera} is in standby or sweeps"
        if self._locked(camera):
            return f"{camera} is locked"
        if self._house.wires[camera].camera.lens.digital_zoom:
            return f"{camera} has digital zoom on"
        return None

    def _ready(self) -> tuple[bool | None, str, str]:
        """Whether the next cue can be run as it is meant to be, else why not, and of which camera."""
        index = self.book.next
        if index is None:
            return False, "there is no next cue", ""
        cue = self.book.cues[index]
        parts: dict[str, tuple[str | None, DrawnMove | None]] = {}
        if cue.take is not None:
            parts[cue.take] = self.book.framing_before(index, cue.take), None
        for each in cue.moves:
            before = self.book.framing_before(index, each.camera) if each.on_air else each.position
            parts[each.camera] = before, each
        unsure = False
        for camera, (wanted, move) in parts.items():
            if why := self._fit(camera):
                return False, why, camera
            if self.turns(camera):
                return False, f"{camera} moves", camera
            if not self._steady(camera):
                unsure = True
            if wanted is not None:
                stands = self._stands_in_named(camera, wanted)
                if stands is None:
                    unsure = True
                elif not stands:
                    return False, f"{camera} does not stand in {wanted}", camera
            if move is not None and move.position not in self.book.positions[camera]:
                return False, f"{camera} has no position {move.position}", camera
        return (None if unsure else True), "", ""

    # What is said

    def _hear(self, said: Said) -> None:
        topic = said.topic.removeprefix(f"{self._house.topics.base}/")
        if not said.payload or topic.endswith("/positions"):
            return
        self._said_at = self._loop.time()
        if topic == "status":
            self.online = json.loads(said.payload)["state"] == "online"
            self._tell(f"    status: {'online' if self.online else 'offline'}")
            self._loop.call_soon(self._look_whether_online)
        elif topic == "cue/state":
            self.cue = json.loads(said.payload)
            assert self.cue is not None
            missing = "; ".join(one["sentence"] for one in self.cue["not_ready"])
            upcoming = self.cue["next"] and self.cue["next"]["number"]
            self._tell(f"    cue/state: next {upcoming}, {'ready' if self.cue['ready'] else 'not ready: ' + missing}")
            self._loop.call_soon(self._look_at_cues)
        elif topic == "outcome":
            self._outcome(json.loads(said.payload))
        elif topic.startswith("camera/"):
            _, camera, what = topic.split("/", 2)
            if what == "state":
                state = json.loads(said.payload)
                if state["activity"] != self.states.get(camera, state)["activity"]:
                    self._ordered[camera] = self._loop.time()
                self.states[camera] = state
                words = (state[key] for key in ("link", "power", "activity", "phase", "position", "tally"))
                lock = " locked" if state["locks"] else ""
                self._tell(f"    {camera}: {' '.join(map(str, words))}{lock} {state['faults'] or ''}".rstrip())
                self._loop.call_soon(self._look_at, camera)
            elif what == "move":
                self._move(camera, json.loads(said.payload))

    def _outcome(self, outcome: dict[str, Any]) -> None:
        self._tell(f"    outcome {outcome['id']}: {'ok' if outcome['ok'] else outcome['sentence']}")
        done = self._when_ok.pop(outcome["id"] or "", None)
        if done is not None and outcome["ok"]:
            done(outcome)

    def when_ok(self, id: str, done: Callable[[dict[str, Any]], None]) -> None:
        """Write into the book what a command changes, in the moment in which its outcome says that it was done."""
        self._when_ok[id] = done

    def _move(self, camera: str, move: dict[str, Any]) -> None:
        position, phase = move["position"], move["phase"]
        self._tell(f"    {camera} {position} ({move['id']}): {phase} {move['sentence'] or ''}".rstrip())
        key = camera, move["id"]
        if phase == "accepted":
            if key not in self._recalled:
                self._ordered[camera] = self._loop.time()
                self._look_whether_it_may_move(camera, move)
                self._recalled[key] = position, self.book.positions[camera].get(position)
                if not self._recently(camera, MENU_SECONDS) and self._heard(camera) and self._on(camera):
                    self.book.excused.pop(camera, None)
        elif phase == "settled":
            _, wanted = self._recalled.pop(key, (position, None))
            stands = self._on(camera) and not self.turns(camera) and self.stands_in(camera, wanted) is not False
            if not stands and not self._recently(camera, FOUND_OUT_SECONDS):
                self._wrong("settled where it is not", f"{camera} in {position}: {self.counts(camera)}, {wanted}")
        elif phase not in UNDER_WAY:
            self._recalled.pop(key, None)
            if phase == "failed" and camera not in self.book.excused:
                self._wrong("failed where nothing was wrong", f"{camera} to {position}: {move['sentence']}")

    def _look_whether_it_may_move(self, camera: str, move: dict[str, Any]) -> None:
        id, told = move["id"], f"{camera} to {move['position']} ({move['id']})"
        cue = next((cue for cue in self.book.cues if id == f"cue {cue.number}"), None)
        off_air = id == "places" or (id in self.book.unasked and camera in self.book.asks_first)
        if cue is not None:
            off_air = not any(each.camera == camera and each.on_air for each in cue.moves)
        if self._locked(camera):
            self._wrong("moved though it is locked", told)
        if off_air:  # the outcome of a `go` which takes another comes after what it lets go
            self._loop.call_soon(self._look_whether_it_is_off_air, camera, told)

    def _look_whether_it_is_off_air(self, camera: str, told: str) -> None:
        tally, _ = self._tally(camera)
        if tally in ("program", "unknown"):
            self._wrong("moved on program unasked", f"{told}, whose tally is {tally}")

    def _tally(self, camera: str) -> tuple[str, str | None]:
        """What is to be said of its tally, and who tells it."""
        told, untold = self.tally.get(camera), self.book.untold_tally(camera)
        return untold if told is None or (camera in self.kept and untold == ("program", "cues")) else (told, "message")

    def mixer_said(self, camera: str, tally: str) -> None:
        """Take note of what the vision mixer tells a daemon that hears it."""
        self.tally[camera] = tally
        self.kept.discard(camera)

    def second_daemon(self, refused: bool) -> None:
        """Take note of whether a daemon was refused that was started beside another."""
        if not refused:
            self._wrong("a second daemon serves", "it was started beside another below the same base")

    def went(self, outcome: dict[str, Any]) -> None:
        """Hold the outcome of a `go` against what has set out."""
        number = int(outcome["result"]["cue"]["number"])
        result = outcome["result"]
        named = {one["camera"] for one in (*result["refused"], *result["overtaken"])}
        for one in outcome["result"]["standing"]:
            self._look_whether_it_stands("a go", one["camera"], one["position"])
            named.add(one["camera"])
        for move in self.book.cues[number - 1].moves:
            leaves = move.on_air and not move.after_seconds and move.camera not in named
            if leaves and (move.camera, f"cue {number}") not in self._recalled:
                self._wrong("a go said to be done that is not", f"{move.camera} does not leave for {move.position}")
        if result["counted"]:
            self._look_whether_it_takes_who_stands(number - 1, named | {one["camera"] for one in result["unready"]})

    def _look_whether_it_takes_who_stands(self, index: int, named: set[str]) -> None:
        cue = self.book.cues[index]
        camera, moves = cue.take, [move for move in cue.moves if move.camera == cue.take]
        if camera is None or camera in named or any(move.on_air for move in moves):
            return
        wanted = moves[-1].position if moves else self.book.framing_before(index, camera)
        astray = wanted is not None and self._stands_in_named(camera, wanted) is False
        if (astray or self.turns(camera) or self._locked(camera)) and self._late(camera) == AT_ONCE_SECONDS:
            self._wrong("a go takes a camera that is not ready and says nothing", f"{camera}, wanted in {wanted}")

    def placed(self, outcome: dict[str, Any]) -> None:
        """Hold the outcome of `places` against what stands and what has set out."""
        for one in outcome["result"]["standing"]:
            self._look_whether_it_stands("places", one["camera"], one["position"])
        for one in outcome["result"]["sent"]:
            camera, position = one["camera"], one["position"]
            if not any(name == camera and to == position for (name, _), (to, _) in self._recalled.items()):
                self._wrong("places says to have sent whom it has not", f"{camera} to {position}")

    def _look_whether_it_stands(self, what: str, camera: str, position: str) -> None:
        if self._stands_in_named(camera, position) is False and self._late(camera) == AT_ONCE_SECONDS:
            self._wrong(f"{what} says that it stands where it does not", f"{camera} in {position}")

    def daemon_started(self) -> None:
        """Take note that a new daemon knows only those tallies that the broker has kept, and the standing cue."""
        self.book.shows_standing(beside=True)
        base, kept = self._house.topics.base, self._house.broker.retained
        found = {camera: kept.get(f"{base}/camera/{camera}/tally") for camera in self._house.wires}
        self.tally = {camera: tally.decode() for camera, tally in found.items() if tally is not None}
        self.kept = set(self.tally)

    def happened(self, camera: str) -> None:
        """Take note that something happens to a camera from outside, of which the daemon hears nothing."""
        self.book.outside[camera] = self.book.excused[camera] = self._loop.time()
        for claim, of in list(self._since):  # what is to be found out now was to be found out otherwise before
            if of in (camera, "") and claim.endswith(" is said"):
                del self._since[claim, of]

    def _recently(self, camera: str, seconds: float) -> bool:
        return self._loop.time() - self.book.outside.get(camera, -1e9) <= seconds

    # What is held against what

    def look(self) -> None:
        """Hold all that is said against all that is so."""
        self._look_whether_online()
        for camera in self._house.wires:
            self._look_at(camera)
        self._look_at_cues()

    @property
    def _serving(self) -> bool:
        return self._house.broker.running and any(life.serves for life in self._house.lives)

    def _look_whether_online(self) -> None:
        if self._house.broker.running and not self.will_is_out:
            self._judge("online", "", self.online, self._serving, AT_ONCE_SECONDS, "no daemon serves")
        else:
            self._forget("online", "")

    def _look_at(self, camera: str) -> None:
        state = self.states.get(camera)
        if state is None or not self._serving or not self.online:
            for claim in ("heard", "on", "at rest", "position", "tally", "locked", "lock", "locked and still"):
                self._forget(claim, camera)
            return
        late = self._late(camera)
        heard, on, turns = self._heard(camera), self._on(camera), self.turns(camera)
        self._judge("heard", camera, state["link"] == "up", heard, late, "it can't be heard")
        self._judge("on", camera, state["power"] == "on", heard and on, late, "it is in standby, sweeps or is silent")
        rest = state["activity"] == "at-rest" and state["link"] == "up" and state["power"] == "on"
        so: bool | None = heard and on and not turns
        if so and not rest and not (self._steady(camera) and self._has_nothing_to_do(camera, state["activity"])):
            so = None
        self._judge("at rest", camera, rest, so, late, "it moves, or is off")
        if state["position"] is not None and rest:
            stands = self._stands_in_named(camera, state["position"])
            self._judge("position", camera, True, stands, late, f"in {state['position']}: {self.counts(camera)}")
        else:
            stands = (
                heard
                and on
                and not turns
                and any(self.stands_in(camera, counts) for counts in self.book.positions[camera].values())
            )
            self._judge("position", camera, False, stands and so, late, "")
        told, so_told = (state["tally"], state["tally_source"]), self._tally(camera)
        self._judge("tally", camera, True, told == so_told, HEARD_SECONDS, f"{told}, it is {so_told}")
        said, locked = {lock["by"] for lock in state["locks"]}, bool(state["locks"])
        holders = self.book.holders.get(camera, set())
        self._judge("locked", camera, bool(said - holders), False, AT_ONCE_SECONDS, f"by {said}, it is by {holders}")
        self._judge("lock", camera, said >= holders, True, AT_ONCE_SECONDS, "")
        if locked and heard and on and rest:
            self._judge("locked and still", camera, True, not turns, max(late, BRAKING_SECONDS), "it moves")
        else:
            self._forget("locked and still", camera)
        if state["faults"] and state["link"] == "up" and not turns and camera not in self.book.excused:
            self._once("fault where there is none", camera, f"{camera}: {state['faults']}")

    def _has_nothing_to_do(self, camera: str, activity: str | None) -> bool:
        """Whether nobody drives it or has it learned, and no move is on its way that is not where it is to end."""
        moves = [wanted for (name, _), (_, wanted) in self._recalled.items() if name == camera]
        return activity not in ("by-hand", "learning") and all(self.stands_in(camera, wanted) for wanted in moves)

    def _steady(self, camera: str) -> bool:
        """Whether what it reports has not changed for a while: a mount may swing on after the motors."""
        here, now = self.counts(camera), self._loop.time()
        since, steady = self._steady_since.get(camera, (now, here))
        if abs(here.pan - steady.pan) > 1 or abs(here.tilt - steady.tilt) > 1:
            since, steady = now, here
        self._steady_since[camera] = since, steady
        return now - since > 0.5

    def _late(self, camera: str) -> float:
        """How long what is said of a camera may be otherwise than it is."""
        if not self._heard(camera):
            if self.states[camera]["activity"] == "shaped":
                return 2.0 * SILENCE_SECONDS  # its last order may leave just before the first is given up
            return SILENCE_SECONDS + max(0.0, self._ordered.get(camera, 0.0) - self._silent_since[camera])
        if not self._recently(camera, SILENCE_SECONDS):
            return AT_ONCE_SECONDS
        learned = self.states[camera]["activity"] == "learning"  # nothing is asked while an order is waited for
        return SILENCE_SECONDS if learned else FOUND_OUT_SECONDS

    def _look_at_cues(self) -> None:
        if self.cue is None or not self._serving or not self.online:
            self._forget("ready", "")
            self._forget("next cue", "")
            return
        upcoming = self.cue["next"] and self.cue["next"]["number"]
        index = self.book.next
        wanted = None if index is None else str(self.book.cues[index].number)
        self._judge("next cue", "", True, upcoming == wanted, AT_ONCE_SECONDS, f"{upcoming}, it is {wanted}")
        so, why, camera = self._ready()
        if so and any(state["faults"] and name in self.book.excused for name, state in self.states.items()):
            so = None  # somebody is to look at it first
        late = self._late(camera) if camera else AT_ONCE_SECONDS
        if camera and self._house.wires[camera].camera.lens.digital_zoom:
            late = MENU_SECONDS
        if camera != self._hindered_by:  # something else is not so now
            self._hindered_by = camera
            self._forget("ready", "")
        self._judge("ready", "", self.cue["ready"], so, late, why)

    def _judge(self, claim: str, camera: str, said: bool, so: bool | None, late: float, why: str) -> None:
        """Hold one claim against what is so (None: nobody can tell); `late` is how long it may still be said."""
        wrong = so is not None and said != so
        key = (f"{claim} is {'said' if said else 'withheld'}", camera)
        other = (f"{claim} is {'withheld' if said else 'said'}", camera)
        self._since.pop(other, None)
        self._told.discard(other)
        if not wrong:
            self._since.pop(key, None)
            self._told.discard(key)
            return
        since = self._since.setdefault(key, self._loop.time())
        just_said = self._said_at == self._loop.time()  # then there was no time for it to become otherwise
        allowed = WITHHELD_SECONDS if not said else 0.0 if just_said and late == AT_ONCE_SECONDS else late
        if self._loop.time() - since >= allowed:
            if said:
                self._once(f"{claim} said where it is not so", camera, f"{camera}: {why}", key)
            else:
                self._once(f"{claim} withheld where it is so", camera, f"{camera} since {since:.2f}", key)

    def _forget(self, claim: str, camera: str) -> None:
        for word in ("said", "withheld"):
            self._since.pop((f"{claim} is {word}", camera), None)
            self._told.discard((f"{claim} is {word}", camera))

    def _once(self, kind: str, camera: str, sentence: str, key: tuple[str, str] | None = None) -> None:
        key = key or (kind, camera)
        if key not in self._told:
            self._told.add(key)
            self._wrong(kind, sentence)

    def _wrong(self, kind: str, sentence: str) -> None:
        self.wrongs.append(Wrong(kind, self._loop.time(), sentence))
        self._tell(f"!!! {kind}: {sentence}")
