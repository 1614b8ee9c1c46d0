"""Cues at work: a standby sends cameras off air, a `go` moves those on air, and who is not ready is told of.

What the daemon does with it, all of it on the event loop and without waiting:

    desk = CueDesk(
        show, cues, place=store.cue_place(show),
        recall=…,   # (camera, move, seen, token): start a move; `token` comes with its reports
        foresee=…,  # (state, move): the Refusal that the move would meet now, or None
        is_in=…,    # (state, position): whether a camera that has told this stands in a position
        state=lambda camera: cameras[camera].state() if camera in cameras else None,
        say=…,      # (CueState): publish it, retained
        on_air=…,   # (cameras): those that are on air, as the cues have it
        keep=…,     # (CuePlace): store.set_cue_place(show, place) in a task
        later=loop.call_later,
    )
    desk.say_on_air()                     # once, at the start
    desk.say_state()                      # once, when all else is said at the start
    desk.heard(report)                    # every CameraState and every MoveReport, as it comes
    desk.stopped(camera)                  # with every stop, None for all cameras: nothing may start by itself after it
    desk.driven(camera)                   # with every drive by hand, but not with its end
    desk.stand_by(number, now); desk.go(number, now); desk.back(); desk.jump(number); desk.hold(); desk.release()
    desk.places()

The last seven raise Refusal, and what they return is for the outcome. After a restart nothing moves until somebody
asks.

What a standby can't send at once *waits*, and is told of with the reason:

- A camera that is on air goes as soon as it is off.
- A move that has an `earliest` goes so long after the `go` of the cue before as it was rehearsed. Where nobody knows
  when that was (before the first cue, after a jump or a restart), it goes so long after the first standby for the cue:
  late perhaps, but never early.

A move on air that leaves some time after its cue waits too, and the state tells of it for as long as it does.

Whatever makes it doubtful that the move is still wanted calls it off: a stop, a lock, a hold, a jump, a `back`, a
recall or a drive by hand, the learning of its head, and a restart. A locked camera is not even sent when it is
unlocked: hands may still be near it, so somebody has to ask again. A `go` before the time sends what only waited for
its `earliest` there and then, except where it would be seen; its outcome tells what became of each. A move on air gives
way to what a later cue does with its camera: moves it, or shows it anew.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from decimal import Decimal
from types import MappingProxyType
from typing import Protocol

from ptzd.cameras.reports import ActivityKind, CameraState, MoveReport, Phase, locked_by
from ptzd.positions import CuePlace
from ptzd.refusal import Refusal

from .run import ONCE_WITHIN_SECONDS, CueRun, ListedCue, ListedMove

OFF = ("starting", "standby")
ASK_AGAIN = "ask for standby again"
AFTER_THE_GO = "recall it, or go back and ask"  # for standby; who asks now asks for the cue after it


IN_DOUBT = (
    "the cues have changed, and which of them stands and which is next can't be told for sure: see where the show "
    "stands now, and jump to the cue that is to be next"
)


@dataclass(frozen=True, slots=True, eq=False)
class CueToken:
    """What goes along with a recall that a cue asks for, to know its reports by. Each is equal to itself alone."""

    cue: Decimal | None  # None: `places` asks for it
    camera: str


class Timer(Protocol):
    """Something that will happen, and can be called off."""

    def cancel(self) -> None: ...


class StartRecall(Protocol):
    """Starts a move and returns at once. Whatever becomes of it, a refusal too, comes back as a MoveReport."""

    def __call__(self, move: ListedMove, seen: bool, token: CueToken, /) -> None:
        """With `seen` it is made as for viewers, though no mixer may have told so yet."""


@dataclass(frozen=True, slots=True)
class NotReady:
    """A camera that the next cue needs and that is not as it needs it.

    Codes: `not-asked` (no standby yet), `moving`, `on-air` (it goes as soon as it is off air), `waiting` (for its
    `earliest`, or for that of a move on air), `locked`, `learning` (its head is being measured), `unreachable`,
    `unknown-camera`, `standby`, `starting` (it has not told that it is on, or sweeps), `fault` (it tells one), `focus`
    (it focuses by itself, and was not seen to have found its focus), `elsewhere` (it left its framing, or is not in the
    one that the cue takes it in, or moves it from), and the codes with which a move ends otherwise than settled, or
    would be refused. Of a `go` that came before the time: `late` (it leaves now), `left-behind`. Of `places`, as here.
    """

    camera: str
    position: str | None  # None where the cue only takes it
    code: str
    sentence: str


@dataclass(frozen=True, slots=True)
class Place:
    """A camera and the position that it should stand in."""

    camera: str
    position: str


@dataclass(frozen=True, slots=True)
class CueState:
    """What everybody may know of the running show."""

    show: str
    standing: ListedCue | None
    next: ListedCue | None
    standby: bool
    held: bool
    not_ready: tuple[NotReady, ...]  # of the next cue, in the order of its moves
    places: tuple[Place, ...] = ()  # where those that it needs are to stand as it comes, as far as the show says
    waiting: tuple[NotReady, ...] = ()  # moves on air that are still to leave by themselves

    @property
    def ready(self) -> bool:
        """Whether the next cue can be run as it is meant to be."""
        return self.next is not None and not self.not_ready


@dataclass(frozen=True, slots=True)
class Gone:
    """What a `go` did: the cue that stands now, and whether this press counted or repeated one just before.

    `overtaken` are the cameras that still waited to be sent to a framing for the standby, or by an earlier cue on air,
    and what becomes of them, and those that are left behind since there was no standby for this cue. `refused` are the
    moves on air that do not come about, as far as that is known at once; `started` what left at once, with its promised
    seconds and warnings; `standing` are the cameras that stand where they would have moved on air at once, and are not
    sent. `unready` are the cameras that viewers see by this cue, taken or moved on air, that were not ready as it came;
    not those of whom the others tell.
    """

    cue: ListedCue
    counted: bool
    overtaken: tuple[NotReady, ...] = ()
    refused: tuple[NotReady, ...] = ()
    started: tuple[MoveReport, ...] = ()
    standing: tuple[Place, ...] = ()
    unready: tuple[NotReady, ...] = ()


@dataclass(frozen=True, slots=True)
class Placed:
    """What `places` did, camera by camera: sent (or on its way already), standing there, or not sent, and why."""

    sent: tuple[Place, ...]
    standing: tuple[Place, ...]
    not_sent: tuple[NotReady, ...]


@dataclass(slots=True)
class _Wish:
    """A framing that the standby asked for. `token` is None while it waits: for its time, or to be off air."""

    cue: ListedCue
    move: ListedMove
    token: CueToken | None = None
    timer: Timer | None = None  # until its time has come
    since: str = ""  # what that time is counted from, in words
    phase: Phase | None = None
    code: str | None = None
    sentence: str | None = None
    arrived: bool = False  # whether it was seen to stand there since


@dataclass(frozen=True, slots=True, eq=False)
class _Held:
    """A move on air that leaves some time after its cue."""

    cue: ListedCue
    move: ListedMove
    timer: Timer


class CueDesk:
    """A show's cues, joined to its cameras."""

    def __init__(
        self,
        show: str,
        cues: Sequence[ListedCue],
        *,
        place: CuePlace | None,
        recall: StartRecall,
        foresee: Callable[[CameraState, ListedMove], Refusal | None],
        is_in: Callable[[CameraState, str], bool],
        state: Callable[[str], CameraState | None],
        say: Callable[[CueState], None],
        on_air: Callable[[frozenset[str]], None],
        keep: Callable[[CuePlace], None],
        later: Callable[[float, Callable[[], None]], Timer],
        start: Mapping[str, str] = MappingProxyType({}),
        begins_with: str | None = None,
        once_within_seconds: float = ONCE_WITHIN_SECONDS,
    ) -> None:
        """`say` hears every change of the state, `keep` every change of the place, `on_air` which cameras are on air as
        the cues have it; all must return at once. The show begins with `begins_with` on air.

        `state` tells a camera's state before it has been `heard`, and None for a camera that there is not. `later` does
        something after so many seconds, as an event loop's `call_later` does.
        """
        self._show = show
        self._run = CueRun(cues, place, start=start, on_air=begins_with, once_within_seconds=once_within_seconds)
        self._recall = recall
        self._foresee = foresee
        self._is_in = is_in
        self._state = state
        self._say = say
        self._on_air = on_air
        self._keep = keep
        self._later = later
        self._held: dict[str, list[_Held]] = {}  # by camera, those that have not left yet
        self._states: dict[str, CameraState] = {}
        self._wishes: dict[str, _Wish] = {}
        self._switched_on: dict[str, bool] = {}  # by a cue that was run: whether they start up now; not when they have
        self._placing: dict[str, tuple[str, CueToken]] = {}  # where `places` has sent cameras that still move
        self._asked: tuple[ListedCue, float] | None = None  # the cue in standby, and when that was first asked for
        self._kept = self._run.place
        self._said: CueState | None = None
        self._refusal: MoveReport | None = None  # the latest
        self._asking = False  # while recalls go out, their first reports come back
        self._started: list[MoveReport] = []  # by what is asked now, or was asked last

    def state(self) -> CueState:
        """Return how the show stands."""
        run = self._run
        not_ready, places = self._not_ready(), self._places_of_next()
        waiting = tuple(_still_to_leave(one) for held in self._held.values() for one in held)
        return CueState(self._show, run.standing, run.next, run.standby, run.held, not_ready, places, waiting)

    def say_state(self) -> None:
        """Say how the show stands, whether or not it has changed."""
        self._said = self.state()
        self._say(self._said)

    def say_on_air(self) -> None:
        """Say which cameras are on air, as the cues have it."""
        self._on_air(self._run.on_air)

    @property
    def place(self) -> CuePlace:
        """What is to be kept."""
        return self._run.place

    @property
    def in_standby(self) -> ListedCue | None:
        """The cue whose framings have been asked for."""
        return self._run.next if self._run.standby else None

    def place_among(self, cues: Sequence[ListedCue]) -> tuple[CuePlace, str | None]:
        """Return this place among the cues as they are written now; with a sentence where it may be another."""
        place, sure = self._run.place_among(cues)
        return place, None if sure else IN_DOUBT

    def take_up(self, cues: Sequence[ListedCue], *, start: Mapping[str, str], begins_with: str | None) -> CueState:
        """Go on with the show's cues as they are written now. Nothing moves, and what moves or waits goes on.

        Only a cue in standby that has changed is so no longer, and what one held back that is gone or another does not
        leave any more.
        """
        self._run = self._run.written_anew(cues, start=start, on_air=begins_with)
        for held in [one for each in self._held.values() for one in each if not self._run.has(one.cue)]:
            self._drop(held)
        if not self._run.standby:
            self._end_standby()
        return self._changed()

    # What it is asked

    def stand_by(self, number: Decimal | None, now: float) -> tuple[MoveReport, ...]:
        """Send every camera off air that has a framing in the cue, unless it stands there or is on its way.

        `now` is the event loop's time. What may not leave yet waits; what has left now is returned.
        """
        cue = self._run.stand_by(number)
        if self._asked is None or self._asked[0] != cue:
            self._asked = cue, now
        under_way = {camera: wish for camera, wish in self._wishes.items() if wish.token is not None and _running(wish)}
        self._forget(self._wishes)
        self._started.clear()
        with self._while_asking():
            for move in cue.moves:
                if not move.on_air:
                    self._wish(cue, move, under_way.get(move.camera), now)
        self._changed()
        return tuple(self._started)

    def places(self) -> Placed:
        """Send every camera off air to where the show wants it before the next cue, if nobody else moves it.

        Those that the next cue moves off air belong to its standby once that was asked for.
        """
        self._run.require_no_hold()
        cue = self._run.next if self._run.standby else None
        stand_by = {} if cue is None else {move.camera: move for move in cue.moves if not move.on_air}
        wanted = {camera: _way_to(camera, *place) for camera, place in self._run.places.items()} | stand_by
        if not wanted:
            raise Refusal(
                "no-places",
                "the show does not say where any camera stands before the next cue; name their positions in `start`, "
                "under [show]",
            )
        sent, standing, not_sent = list[Place](), list[Place](), list[NotReady]()
        with self._while_asking():
            for camera, move in sorted(wanted.items()):
                place, state = Place(camera, move.position), self._seen(camera)
                fault = self._fault_of_a_camera(camera, state)
                if (fault is None or fault[0] == "locked") and self._stands_in(state, move.position):
                    self._call_off((camera,))  # else it would not stay there
                    standing.append(place)
                    continue
                if fault is None and not self._is_on_its_way(move):
                    assert state is not None
                    fault = self._bring(move, state, of_the_standby=camera in stand_by)
                if fault is None:
                    sent.append(place)
                else:
                    not_sent.append(NotReady(camera, move.position, *fault))
        self._changed()
        return Placed(tuple(sent), tuple(standing), tuple(not_sent))

    def go(self, number: Decimal | None, now: float) -> Gone:
        """Start the cue's moves on air and step on. `now` is the event loop's time."""
        seen_before = self._run.on_air
        cue = self._run.go(number, now)
        if cue is None:
            assert self._run.standing is not None
            return Gone(self._run.standing, counted=False)
        unready = self._seen_unready(cue)
        self._started.clear()
        self._expect_start_up(cue)
        given_up = self._give_up_held(cue, seen_before)
        with self._while_asking():
            self.say_on_air()  # what has waited for a camera to be off air leaves now
        waiting = [wish for wish in self._wishes.values() if wish.token is None]
        unasked = () if self._asked is not None and self._asked[0] == cue else self._unasked(cue)
        self._end_standby()
        with self._while_asking():
            on_air = [move for move in cue.moves if move.on_air]
            there = [move for move in on_air if not move.after_seconds and self._is_there(move)]
            refused = [self._move_on_air(cue, move) for move in on_air if move not in there]
            waiting = [one for one in waiting if not self._stands_in(self._seen(one.move.camera), one.move.position)]
            overtaken = (*given_up, *unasked, *(self._overtake(wish, cue) for wish in waiting))
        self._changed()
        standing = tuple(Place(move.camera, move.position) for move in there)
        told = tuple(one for one in refused if one is not None)
        named = {*(one.camera for one in (*overtaken, *told)), *(one.camera for one in standing)}
        unready = tuple(one for one in unready if one.camera not in named)
        return Gone(cue, True, overtaken, told, tuple(self._started), standing, unready)

    def back(self) -> CueState:
        """Take back the last `go`. Nothing moves."""
        self._run.back()
        return self._stands_elsewhere()

    def jump(self, number: Decimal) -> CueState:
        """Make a cue the next. Nothing moves."""
        self._run.jump(number)
        return self._stands_elsewhere()

    def hold(self) -> CueState:
        """Let no cue start a move until the release; what moves goes on."""
        self._run.hold()
        self._take_back(None)
        self._asked = None
        return self._changed()

    def release(self) -> CueState:
        """End the hold. Nothing moves."""
        self._run.release()
        return self._changed()

    # What it hears

    def heard(self, report: CameraState | MoveReport) -> None:
        """Take note of what a camera says."""
        concerned = self._needs(report.camera) or report.camera in self._held
        if isinstance(report, CameraState) and self._is_in_doubt(report):
            self._take_back(report.camera)
        elif isinstance(report, MoveReport) and report.phase is Phase.REFUSED:
            self._refusal = report
        elif isinstance(report, MoveReport) and self._asking and report.phase is Phase.ACCEPTED:
            self._started.append(report)
        sent = self._placing.get(report.camera)
        if isinstance(report, MoveReport) and report.phase.ended and sent is not None and report.token is sent[1]:
            del self._placing[report.camera]
        wish = self._wishes.get(report.camera)
        if isinstance(report, CameraState):
            self._note_start_up(report)
            self._states[report.camera] = report
            wish = self._wishes.get(report.camera)
            if wish is not None and wish.token is None and wish.timer is None:
                self._send_off_air(wish)
            elif wish is not None:
                wish.arrived |= self._has_arrived(wish)
        elif wish is not None and wish.token is not None and report.token is wish.token:
            wish.phase, wish.code, wish.sentence = report.phase, report.code, report.sentence
            wish.arrived = self._has_arrived(wish)
        elif report.phase is Phase.ACCEPTED and not isinstance(report.token, CueToken):
            self._take_back(report.camera)  # somebody has sent it elsewhere by hand
        if not self._asking and concerned:
            self._changed()

    def stopped(self, camera: str | None) -> None:
        """Take note of a stop of one camera or (None) of all: what waits for its moment is called off."""
        self._take_back(camera)
        self._changed()

    def positions_changed(self) -> None:
        """Take note that positions are not what they were: who is ready may be others."""
        self._changed()

    def driven(self, camera: str) -> None:
        """Take note that somebody drives a camera by hand: what waits for its moment is called off."""
        self._take_back(camera)
        self._changed()

    # How it does it

    def _expect_start_up(self, cue: ListedCue) -> None:
        """Take note of who is switched on by a cue that runs; who has not begun by the next is expected no more."""
        begun = {camera: True for camera, starts in self._switched_on.items() if starts}
        states = {camera: self._seen(camera) for camera in cue.switch_on}
        now = {camera: state is not None and state.power in OFF for camera, state in states.items()}
        self._switched_on = now | begun

    def _note_start_up(self, state: CameraState) -> None:
        if state.camera in self._switched_on:
            if state.power in OFF:
                self._switched_on[state.camera] = True
            elif self._switched_on[state.camera] and state.activity is ActivityKind.AT_REST:
                del self._switched_on[state.camera]

    def _is_in_doubt(self, state: CameraState) -> bool:
        """Whether a camera may have hands at it, or had: what waits for its moment is not to move it then."""
        if state.locks or state.activity is ActivityKind.LEARNING:
            return True
        if state.camera in self._switched_on:
            return False
        before = self._states.get(state.camera)
        return state.power in OFF or (state.was_in is not None and (before is None or before.was_in is None))

    @contextmanager
    def _while_asking(self) -> Iterator[None]:
        self._asking = True
        try:
            yield
        finally:
            self._asking = False

    def _stands_elsewhere(self) -> CueState:
        self._call_off(self._held)
        self._switched_on.clear()
        self._end_standby()
        self.say_on_air()
        return self._changed()

    def _take_back(self, camera: str | None) -> None:
        """Let nothing that waits for its moment move a camera, or (None) any."""
        self._call_off(self._held if camera is None else (camera,))
        # Whom the standby has not sent yet.
        self._forget(name for name, wish in self._wishes.items() if wish.token is None and camera in (None, name))

    def _move_on_air(self, cue: ListedCue, move: ListedMove) -> NotReady | None:
        """Start a move, or let it wait for its time; return why it does not come about, where that is known."""
        fault = self._fault_of_a_camera(move.camera, self._seen(move.camera))
        later, switched_on = move.after_seconds > 0, move.camera in self._switched_on
        if fault is not None and (fault[0] == "locked" or (later and not switched_on)):
            return NotReady(move.camera, move.position, *fault)  # nor when it is unlocked or heard meanwhile

        def start() -> None:
            own = self._held[move.camera]
            for older in own[: own.index(held)]:
                if older.cue != cue:
                    self._drop(older)
            self._drop(held)
            if self._lock_of(move.camera) is None and not self._is_there(move):
                self._start(move, token)
            self._changed()

        token = CueToken(cue.number, move.camera)
        if later:
            fault = None
            held = _Held(cue, move, self._later(move.after_seconds, start))
            self._held.setdefault(move.camera, []).append(held)
        else:
            fault = self._refused(move, token) or fault
        return None if fault is None else NotReady(move.camera, move.position, *fault)

    def _refused(self, move: ListedMove, token: CueToken) -> tuple[str, str] | None:
        """Start a move; return why the camera refuses it, which it has done by then."""
        self._refusal = None
        self._start(move, token)
        refusal: MoveReport | None = self._refusal
        if refusal is None or refusal.token is not token:
            return None
        return refusal.code or "refused", refusal.sentence or f"camera {move.camera} refused the move"

    def _bring(self, move: ListedMove, state: CameraState, *, of_the_standby: bool) -> tuple[str, str] | None:
        """Send a camera to its place; return why it is not sent."""
        camera, position = move.camera, move.position
        if state.on_air:
            return "on-air", f"camera {camera} is on air and is not moved to {position}; recall it when it is off"
        if of_the_standby:
            return self._fault_of_a_framing(move, state, asked=self._run.standby)
        if state.activity is not ActivityKind.AT_REST:
            return "moving", (
                f"camera {camera} does not stand still, and is not taken from whoever moves it to {position}; wait or "
                "stop it, then ask for places again"
            )
        self._call_off((camera,))  # it is on its way there now
        token = CueToken(None, camera)
        self._placing[camera] = position, token
        if (fault := self._refused(move, token)) is not None:
            self._placing.pop(camera, None)
        return fault

    def _is_on_its_way(self, move: ListedMove) -> bool:
        """Whether the standby or `places` has sent it there, and it still moves."""
        wish = self._wishes.get(move.camera)
        if wish is not None and wish.token is not None and wish.move.position == move.position and _running(wish):
            return True
        return move.camera in self._placing and self._placing[move.camera][0] == move.position

    def _call_off(self, cameras: Iterable[str]) -> None:
        for camera in list(cameras):
            for held in self._held.pop(camera, ()):
                held.timer.cancel()

    def _drop(self, held: _Held) -> None:
        held.timer.cancel()
        own = self._held[held.move.camera]
        own.remove(held)
        if not own:
            del self._held[held.move.camera]

    def _give_up_held(self, cue: ListedCue, seen_before: frozenset[str]) -> tuple[NotReady, ...]:
        """Call off what earlier cues hold back of the cameras that this one moves by now, or shows anew."""
        for held in [one for each in self._held.values() for one in each if one.cue == cue]:
            self._drop(held)  # it is run once more
        moved = {move.camera for move in cue.moves if not (move.on_air and move.after_seconds)}
        shown = {cue.take} - seen_before
        given_up = [
            NotReady(
                one.move.camera,
                one.move.position,
                "left-behind",
                f"camera {one.move.camera} was still to move to {one.move.position} for cue {one.cue.number}, and does "
                f"not: cue {cue.number} {'takes' if one.move.camera in shown else 'moves'} it",
            )
            for held in self._held.values()
            for one in held
            if one.move.camera in moved | shown
        ]
        self._call_off(one.camera for one in given_up)
        return tuple(given_up)

    def _wish(self, cue: ListedCue, move: ListedMove, under_way: _Wish | None, now: float) -> None:
        state = self._seen(move.camera)
        if under_way is not None and under_way.move == move:
            self._wishes[move.camera] = under_way
        elif self._stands_in(state, move.position) and move.camera not in self._held:
            pass
        elif self._lock_of(move.camera) is None:
            wish = _Wish(cue, move)
            since, wish.since = self._counted_from(cue)
            wait = since + move.after_seconds - now
            waits = move.after_seconds > 0 and wait > 0
            if state is not None and (waits or state.on_air) and self._is_in_doubt(state):
                return  # nobody who watches over the head reckons with its leaving by itself
            self._wishes[move.camera] = wish
            if waits:
                wish.timer = self._later(wait, lambda: self._time_has_come(wish))
            else:
                self._send_off_air(wish)

    def _counted_from(self, cue: ListedCue) -> tuple[float, str]:
        """From when on the moves off air of the cue in standby wait, and what that was."""
        before = self._run.before(cue)
        ran_at = None if before is None else self._run.ran_at(before)
        if before is not None and ran_at is not None:
            return ran_at, f"cue {before.number}"
        assert self._asked is not None
        return self._asked[1], "the standby"

    def _time_has_come(self, wish: _Wish) -> None:
        wish.timer = None
        camera = wish.move.camera
        if self._lock_of(camera) is not None:
            self._forget((camera,))
        else:
            self._send_off_air(wish)
        self._changed()

    def _send_off_air(self, wish: _Wish) -> None:
        """Send it, unless it stands there, or has to wait until it is off air. What earlier cues held back is over."""
        camera = wish.move.camera
        state = self._seen(camera)
        on_air, there = state is not None and state.on_air, self._stands_in(state, wish.move.position)
        if not on_air:
            self._call_off((camera,))
        if there and camera not in self._held:
            self._forget((camera,))
        elif not on_air:
            wish.token = CueToken(wish.cue.number, camera)
            self._start(wish.move, wish.token)

    def _overtake(self, wish: _Wish, cue: ListedCue) -> NotReady:
        """Send what waited for its time only, if that is not seen: the `go` of its cue has come first."""
        camera, position = wish.move.camera, wish.move.position
        state = self._seen(camera)
        why = None
        if wish.cue != cue:
            why = f"the standby was for cue {wish.cue.number}"
        elif cue.take == camera:
            why = f"cue {cue.number} takes it, so the move would be seen"
        elif any(move.on_air and move.camera == camera for move in cue.moves):
            why = f"cue {cue.number} moves it on air"
        elif state is not None and state.on_air:
            why = f"it was on air until cue {cue.number}"
        elif (fault := self._fault_of_a_camera(camera, state)) is not None:
            why = fault[1]
        if why is not None:
            sentence = f"camera {camera} had not left for {position} yet and is not sent there: {why}"
            return NotReady(camera, position, "left-behind", sentence)
        self._start(wish.move, CueToken(cue.number, camera))
        sentence = f"camera {camera} leaves for {position} only now: the go came before its time"
        return NotReady(camera, position, "late", sentence)

    def _unasked(self, cue: ListedCue) -> tuple[NotReady, ...]:
        """The cameras that no standby has sent to their framings in a cue: a later cue may well count on them."""
        return tuple(
            NotReady(
                move.camera,
                move.position,
                "left-behind",
                f"camera {move.camera} was not sent to {move.position}: no standby stood for cue "
                f"{cue.number}; recall it, or go back and ask",
            )
            for move in cue.moves
            if not move.on_air
            and not self._stands_in(self._seen(move.camera), move.position)
            and not self._is_on_its_way(move)
        )

    def _seen_unready(self, cue: ListedCue) -> tuple[NotReady, ...]:
        """The cameras that viewers see by a cue, and that are not ready for it; as is to be told after its `go`."""
        seen = {cue.take, *(move.camera for move in cue.moves if move.on_air)}
        return tuple(
            replace(one, sentence=one.sentence.replace(ASK_AGAIN, AFTER_THE_GO))
            for one in self._not_ready_for(cue, asked=True)  # for whom nobody was asked is told by itself
            if one.camera in seen
        )

    def _forget(self, cameras: Iterable[str]) -> None:
        for camera in list(cameras):
            wish = self._wishes.pop(camera)
            if wish.timer is not None:
                wish.timer.cancel()

    def _end_standby(self) -> None:
        self._forget(self._wishes)
        self._asked = None

    def _start(self, move: ListedMove, token: CueToken) -> None:
        self._recall(move, move.on_air and move.camera in self._run.on_air, token)

    def _changed(self) -> CueState:
        if self._run.place != self._kept:
            self._kept = self._run.place
            self._keep(self._kept)
        state = self.state()
        if state != self._said:
            self._said = state
            self._say(state)
        return state

    def _seen(self, camera: str) -> CameraState | None:
        if camera not in self._states and (state := self._state(camera)) is not None:
            self._states[camera] = state
        return self._states.get(camera)

    def _stands_in(self, state: CameraState | None, position: str) -> bool:
        return state is not None and state.phase is Phase.IDLE and self._is_in(state, position)

    def _has_arrived(self, wish: _Wish) -> bool:
        state = self._states.get(wish.move.camera)
        return wish.phase is Phase.SETTLED and self._stands_in(state, wish.move.position)

    def _is_there(self, move: ListedMove) -> bool:
        """Whether a camera that could be sent stands still in the framing of a move."""
        state = self._seen(move.camera)
        return self._fault_of_a_camera(move.camera, state) is None and self._stands_in(state, move.position)

    def _lock_of(self, camera: str) -> str | None:
        """What is to be said of a locked camera."""
        state = self._seen(camera)
        if state is None or not state.locks:
            return None
        return f"camera {camera} is {locked_by(state.locks)}; unlock it when it is safe to move, then {ASK_AGAIN}"

    def _needs(self, camera: str) -> bool:
        cue = self._run.next
        return cue is not None and (cue.take == camera or any(move.camera == camera for move in cue.moves))

    def _not_ready(self) -> tuple[NotReady, ...]:
        cue = self._run.next
        return () if cue is None else self._not_ready_for(cue, asked=self._run.standby)

    def _not_ready_for(self, cue: ListedCue, *, asked: bool) -> tuple[NotReady, ...]:
        """Who is not ready for a cue; `asked` tells whether standby was asked for it."""
        found = [self._fault(cue, move.camera, move, asked=asked) for move in cue.moves]
        if cue.take is not None and all(move.camera != cue.take for move in cue.moves):
            found.append(self._fault(cue, cue.take, None, asked=asked))
        return tuple(one for one in found if one is not None)

    def _places_of_next(self) -> tuple[Place, ...]:
        cue = self._run.next
        if cue is None:
            return ()
        wanted = {camera: position for camera, (position, _) in self._run.places.items()}
        wanted |= {move.camera: move.position for move in cue.moves if not move.on_air}
        needed = dict.fromkeys([*(move.camera for move in cue.moves), *(() if cue.take is None else (cue.take,))])
        return tuple(Place(camera, wanted[camera]) for camera in needed if camera in wanted)

    def _fault(self, cue: ListedCue, camera: str, move: ListedMove | None, *, asked: bool) -> NotReady | None:
        """Why a camera is not ready for its part, a move or (None) to be taken as it stands, or None."""
        state = self._seen(camera)
        fault = self._fault_of_a_camera(camera, state)
        if fault is None:
            assert state is not None
            if move is None:
                fault = self._fault_of_a_take(cue, camera, state)
            elif move.on_air:
                fault = self._fault_of_a_start(cue, move, state)
            else:
                fault = self._fault_of_a_framing(move, state, asked=asked)
            fault = fault or self._told_fault(state)
        return None if fault is None else NotReady(camera, None if move is None else move.position, *fault)

    def _fault_of_a_take(self, cue: ListedCue, camera: str, state: CameraState) -> tuple[str, str] | None:
        if state.activity is not ActivityKind.AT_REST:
            return "moving", f"camera {camera} is to be taken and still moves"
        return self._fault_of_where_it_stands(cue, camera, state, "takes it")

    def _fault_of_a_start(self, cue: ListedCue, move: ListedMove, state: CameraState) -> tuple[str, str] | None:
        """Why a move on air will not be what it was rehearsed to be, or None."""
        camera = move.camera
        if state.activity is not ActivityKind.AT_REST:
            return "moving", f"camera {camera} still moves, and cue {cue.number} is to move it to {move.position}"
        if all(each.on_air for each in cue.moves if each.camera == camera):
            elsewhere = self._fault_of_where_it_stands(cue, camera, state, f"moves it to {move.position}")
            if elsewhere is not None:
                return elsewhere
        refusal = self._foresee(state, move)
        if refusal is None:
            return None
        return refusal.code, f"cue {cue.number} could not move camera {camera} on air: {refusal.sentence}"

    def _fault_of_where_it_stands(
        self, cue: ListedCue, camera: str, state: CameraState, what: str
    ) -> tuple[str, str] | None:
        before = self._run.places_before(cue).get(camera)
        if before is None or self._stands_in(state, before[0]):
            return None
        stands = f"stands in {state.position}" if state.position else "stands in no stored position"
        position, sent_by = before
        for held in self._held.get(camera, ()):
            if held.move.position == position:
                return "waiting", _still_to_leave(held).sentence
        sends = "the show starts" if sent_by is None else f"cue {sent_by.number} sends it"
        refusal = self._foresee(state, _way_to(camera, position, sent_by))
        return "elsewhere", (
            f"camera {camera} {stands}; it should be in {position}, where {sends}, when cue {cue.number} {what}; "
            f"{'ask for places, or recall it there' if refusal is None else refusal.sentence}"
        )

    def _fault_of_a_camera(self, camera: str, state: CameraState | None) -> tuple[str, str] | None:
        if state is None:
            return "unknown-camera", f"the daemon has no camera {camera}; add it to the configuration"
        if (lock := self._lock_of(camera)) is not None:
            return "locked", lock
        if state.link == "down":
            return "unreachable", f"camera {camera} does not answer; check its power and its network, then {ASK_AGAIN}"
        if state.power == "standby":
            return "standby", f"camera {camera} is in standby; switch it on where its sweep is safe, then {ASK_AGAIN}"
        if state.power == "starting":
            return "starting", f"camera {camera} is starting up; wait until it has found its ends, then {ASK_AGAIN}"
        if state.power == "unknown" and state.faults:
            return "fault", f"camera {camera}: {state.faults[0]}"
        if state.power == "unknown":
            return "starting", f"camera {camera} has not told yet whether it is on; wait, or look at it"
        if state.activity is ActivityKind.LEARNING:
            return "learning", f"the head of camera {camera} is being learned; wait or stop that, then {ASK_AGAIN}"
        return None

    @staticmethod
    def _told_fault(state: CameraState) -> tuple[str, str] | None:
        if state.faults:
            return "fault", f"camera {state.camera}: {state.faults[0]}"
        if state.focus_in_doubt and state.activity is ActivityKind.AT_REST:
            return "focus", f"camera {state.camera} focuses by itself, and its focus still changes or is not known yet"
        return None

    def _fault_of_a_framing(self, move: ListedMove, state: CameraState, *, asked: bool) -> tuple[str, str] | None:
        camera, position = move.camera, move.position
        wish = self._wishes.get(camera)
        if self._stands_in(state, position):
            return ("waiting", _still_to_leave(held[0]).sentence) if (held := self._held.get(camera)) else None
        if wish is None and not asked:
            return "not-asked", f"camera {camera} has not been sent to {position} yet; ask for standby"
        if wish is None:
            return "elsewhere", f"camera {camera} does not stand in {position}; {ASK_AGAIN}"
        if wish.timer is not None:
            after = f"{move.after_seconds:g} s after {wish.since}, its earliest"
            return "waiting", f"camera {camera} waits to go to {position}: it leaves {after}"
        if wish.token is None:
            return "on-air", f"camera {camera} is on air; it goes to {position} as soon as it is off"
        if _running(wish) or (wish.phase is Phase.SETTLED and state.phase is not Phase.IDLE and not wish.arrived):
            return "moving", f"camera {camera} is on its way to {position}"
        if wish.phase is not Phase.SETTLED:
            ended = "" if wish.phase is None else wish.phase.value
            reason = wish.sentence or f"the move of camera {camera} ended as {ended}"
            if wish.phase is Phase.REFUSED:  # what kept it then may be over
                reason = f"camera {camera} was not sent to {position}, since at that moment: {reason}"
            return wish.code or ended, f"{reason}; {ASK_AGAIN}"
        if not wish.arrived:
            return "elsewhere", f"camera {camera} settled where {position} was when it set out; {ASK_AGAIN}"
        return "elsewhere", f"camera {camera} has left {position}; {ASK_AGAIN}"


def _still_to_leave(held: _Held) -> NotReady:
    camera, position, cue = held.move.camera, held.move.position, held.cue
    when = f"{held.move.after_seconds:g} s after cue {cue.number}"
    return NotReady(camera, position, "waiting", f"camera {camera} is still to move to {position} by itself, {when}")


def _way_to(camera: str, position: str, sent_by: ListedCue | None) -> ListedMove:
    """The move off air to a place: as the cue makes it that sends the camera there off air, else as was stored."""
    moves = () if sent_by is None else sent_by.moves
    sends = (move for move in moves if not move.on_air and (move.camera, move.position) == (camera, position))
    move = next(sends, ListedMove(camera, position))
    return ListedMove(camera, position, move.speed, move.seconds)


def _running(wish: _Wish) -> bool:
    return wish.phase is None or not wish.phase.ended
