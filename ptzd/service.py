"""Where everything is wired together and watched over: the only room that knows all others.

A message from the bus becomes a request, a request becomes a call on a camera or the store, and what cameras say goes
back to the bus. A recall goes all the way from the message to the first packet in one call, with no task in between.
"""

from __future__ import annotations

import asyncio
import difflib
import random
import time
from collections.abc import Callable, Coroutine, Iterable, Mapping
from contextlib import AsyncExitStack
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from importlib.metadata import version
from pathlib import Path
from typing import Any

import structlog

from ptzd import links
from ptzd.bus import (
    Answer,
    BackRequest,
    BrokerSettings,
    Bus,
    CueRequest,
    CueStateMessage,
    DeleteRequest,
    DriveRequest,
    ExportRequest,
    ExportResult,
    GoRequest,
    GoResult,
    HistoryRequest,
    HistoryResult,
    HoldRequest,
    ImportRequest,
    ImportResult,
    Incoming,
    Intake,
    JumpRequest,
    LearnEstimate,
    LearnProgressMessage,
    LearnRequest,
    LearnResult,
    LockRequest,
    MoveMessage,
    MqttBus,
    OutcomeMessage,
    Outcomes,
    PositionsMessage,
    RecallRequest,
    Refusal,
    ReleaseRequest,
    RenameRequest,
    Reply,
    Request,
    RevertRequest,
    StandbyRequest,
    StateMessage,
    StatusMessage,
    StopRequest,
    StoreRequest,
    TallyRequest,
    Topics,
    UnlockRequest,
)
from ptzd.bus.requests import Asked
from ptzd.cameras import (
    Activity,
    Camera,
    CameraRefusal,
    CameraSettings,
    CameraState,
    Framing,
    LearnLimits,
    LinkState,
    Lock,
    MoveReport,
    Optics,
    Phase,
    Progress,
    Recall,
    Tolerance,
    Window,
    landing,
    reach_of,
)
from ptzd.config import CameraConfig, Config
from ptzd.cues import ONCE_WITHIN_SECONDS, CueDesk, CueRefusal, CueState, CueToken, cue_list
from ptzd.files import ShowFile, TextFileError, read_show_file
from ptzd.guard import Guarded, Guardian, Keeper
from ptzd.links import Link
from ptzd.motion import (
    ON_A_RAIL,
    ON_A_TRIPOD,
    HeadFileError,
    HeadModel,
    Lens,
    Sensor,
    lens_between,
    published_head,
    write_head,
)
from ptzd.positions import (
    CuePlace,
    HeadFiles,
    PositionStore,
    StoredPosition,
    StoreError,
    read_head_file,
    unfit_positions,
)
from ptzd.refusals import RefusalLog
from ptzd.stall import BEAT_SECONDS, Stall
from ptzd.visca import Dialect, DialectError, ScalesError, dialect_named

REST_PATIENCE_SECONDS = 3.5  # of the five that a stop of the service may take
RESTART_PAUSE_SECONDS = 1.0
OVERTAKEN = "this was sent before a stop or lock that has been carried out already: send it anew if it is still wanted"
STALLED = "the daemon stood still while this waited: send it anew if it is still wanted"
LOOK_AT_IT = "look at it; pull its plug where it could endanger anybody"
GUARD_SECONDS = 5.0  # to come to life in

log = structlog.get_logger()


class StartError(Exception):
    """The daemon can't start; the text is one sentence on why and what to do."""


class NotAtRestError(Exception):
    """The daemon has ended, and cameras were not seen to come to rest; the text is one sentence that names them."""


class Service:
    """Cameras, the store and the bus, joined. `handle` takes each message and never raises."""

    def __init__(
        self,
        *,
        links: Mapping[str, tuple[CameraSettings, Link]],
        focus_by_itself: frozenset[str] = frozenset(),
        store: PositionStore,
        bus: Bus,
        intake: Intake,
        calendar: Callable[[], datetime],
        heads: HeadFiles,
        rng: random.Random,
        guard: Guardian,
        show: ShowFile | None = None,
        once_within_seconds: float = ONCE_WITHIN_SECONDS,
        stall: Stall | None = None,
    ) -> None:
        """`focus_by_itself` names cameras whose stored focus is left alone. Needs a running loop.

        `stall` notices where the loop stood still; without one, as on a virtual clock, nobody looks.
        """
        self._stall = stall
        self._refusals = RefusalLog()
        self._heads = heads
        self._rng = rng
        self._guard = guard
        self._store = store
        self._bus = bus
        self._intake = intake
        self._calendar = calendar
        self._focus_by_itself = focus_by_itself
        self._outcomes = Outcomes()
        self._links: dict[str, LinkState] = {}  # as last logged
        self._loop = asyncio.get_running_loop()
        self._tasks: asyncio.TaskGroup | None = None
        self._overtaken: frozenset[str | None] = frozenset()  # cameras stopped ahead of the message that is handled
        self.not_at_rest: tuple[str, ...] = ()  # the cameras that were not seen to come to rest when `run` ended
        self._show = show
        self._desk: CueDesk | None = None
        self.cameras = {
            name: Camera(
                settings,
                link,
                guard=guard,
                calendar=calendar,
                report=self._reported,
                stands_in=_Stands(store, settings),
                lock=store.lock_of(name),
            )
            for name, (settings, link) in links.items()
        }
        if show is not None:
            self._desk = CueDesk(
                show.show.name,
                cue_list(show),
                place=store.cue_place(show.show.name),
                recall=self._recall_for_cue,
                state=lambda camera: self.cameras[camera].state() if camera in self.cameras else None,
                say=self._say_cue,
                keep=self._keep_cue_place,
                later=self._loop.call_later,
                once_within_seconds=once_within_seconds,
            )

    async def run(self, ready: Callable[[], None]) -> None:
        """Serve until cancelled; then bring every camera to rest. `not_at_rest` tells whether that was seen."""
        async with asyncio.TaskGroup() as attended:
            kept = [attended.create_task(self._attend(camera)) for camera in self.cameras.values()]
            if self._stall is not None:
                kept.append(attended.create_task(self._beat()))
            try:
                self._say_all()
                async with asyncio.TaskGroup() as self._tasks:
                    ready()
                    async for incoming in self._bus:
                        self.handle(incoming)
            finally:
                self._tasks = None
                if self._desk is not None:
                    self._desk.stopped(None)  # what a cue holds back must not begin while all come to rest
                rests = await asyncio.gather(
                    *(camera.come_to_rest(REST_PATIENCE_SECONDS) for camera in self.cameras.values())
                )
                self.not_at_rest = tuple(name for name, rested in zip(self.cameras, rests, strict=True) if not rested)
                for name in set(self.cameras).difference(self.not_at_rest):
                    self._guard.renew(name, 0.0)  # or it would take the end of the daemon for a death
                for name in self.not_at_rest:
                    log.error(f"camera {name} was not seen to come to rest: {LOOK_AT_IT}", camera=name)
                    if self.cameras[name].state().activity is Activity.HALTING:
                        self._guard.halt(name, "the daemon ended and had not seen it come to rest")
                for task in kept:
                    task.cancel()

    def handle(self, incoming: Incoming) -> None:
        """Do what a message asks for, or say why not."""
        try:
            self._look_for_a_stall()
            waited = self._stall is not None and self._stall.message_waited()
            request = self._intake.read(incoming)
            self._overtaken = incoming.overtaken
            if incoming.again:
                self._repeat(request)
            elif self._overtaken and self._is_overtaken(request):
                self._refuse(request, "overtaken", OVERTAKEN)
            elif waited and _is_stale(request):
                self._refuse(request, "stalled", STALLED)
            elif isinstance(request, RecallRequest) and request.id is None:
                self._recall(request)  # the shortest way from a message to a packet
            elif isinstance(request, Refusal):
                self._say_outcome(request, request.outcome())
            elif not self._answered_before(request):
                self._do(request)
        except Exception:
            log.exception("a message could not be handled", topic=incoming.topic)
        finally:
            self._overtaken = frozenset()

    async def _beat(self) -> None:
        while True:
            self._look_for_a_stall()
            await asyncio.sleep(BEAT_SECONDS)

    def _look_for_a_stall(self) -> None:
        if self._stall is None or not (seconds := self._stall.noticed()):
            return
        now = self._calendar()
        log.warning(
            f"the daemon stood still for {seconds:.1f} s: open-ended moves are stopped, what waited is discarded",
            since=(now - timedelta(seconds=seconds)).isoformat(timespec="milliseconds"),
            until=now.isoformat(timespec="milliseconds"),
        )
        for camera in self.cameras.values():
            camera.stalled(seconds)

    # Requests

    def _repeat(self, request: Request | Refusal) -> None:
        """Do once more, unanswered, what was carried out ahead of what was sent before it; a lock still holds."""
        if isinstance(request, StopRequest):
            self._stop(request.camera)

    def _is_overtaken(self, request: Request | Refusal) -> bool:
        """Whether it would move or unlock a camera that was stopped or locked ahead of it."""
        match request:
            case RecallRequest(camera=camera) | DriveRequest(camera=camera) | UnlockRequest(camera=camera):
                return self._has_overtaken(camera)
            case LearnRequest(camera=camera, estimate=False):
                return self._has_overtaken(camera)
        return False

    def _has_overtaken(self, camera: str) -> bool:
        return camera in self._overtaken or None in self._overtaken

    def _stop(self, camera: str | None) -> None:
        """Stop a camera, or (None) all."""
        for name in self.cameras if camera is None else (camera,):
            if name in self.cameras:
                self.cameras[name].stop()
        if self._desk is not None:
            self._desk.stopped(camera)

    def _do(self, request: Request) -> None:
        match request:
            case StopRequest(camera=None):
                self._stop(None)
                self._done(request)
            case StandbyRequest() | GoRequest() | BackRequest() | JumpRequest() | HoldRequest() | ReleaseRequest():
                self._do_cue(request)
            case ExportRequest():
                self._later(request, self._export())
            case ImportRequest(show=text, replace=replaces):
                self._later(request, self._import(text, replaces))
            case _:
                assert request.camera is not None
                found = self.cameras.get(request.camera)
                if found is None:
                    self._refuse(request, "unknown-camera", _unknown("camera", request.camera, self.cameras))
                else:
                    self._do_with(found, request)

    def _do_with(self, camera: Camera, request: Request) -> None:
        name = camera.name
        match request:
            case RecallRequest():
                self._recall(request)
            case StopRequest():
                self._stop(name)
                self._done(request)
            case DriveRequest(pan=pan, tilt=tilt, zoom=zoom, focus=focus):
                try:
                    camera.drive(pan, tilt, zoom, focus)
                except CameraRefusal as refusal:
                    self._refuse(request, refusal.code, refusal.sentence)
                else:
                    if self._desk is not None and (pan or tilt or zoom or focus):  # not where a drive ends
                        self._desk.driven(name)
                    if request.id is not None or request.reply is not None:
                        self._done(request)  # drives come many a second; an answer only where one is asked for
            case TallyRequest(tally=tally):
                camera.set_tally(tally)
                self._done(request)
            case LockRequest(by=by, reason=reason):
                lock = Lock(by, reason, self._calendar())
                camera.lock(lock)
                if self._desk is not None:
                    self._desk.stopped(name)
                self._later(request, self._keep_lock(name, lock))
            case UnlockRequest():
                self._later(request, self._unlock(camera, camera.locked))
            case StoreRequest():
                self._later(request, self._store_framing(camera, request))
            case RenameRequest(position=position, to=to):
                self._later(request, self._changing(name, self._store.rename(name, position, to)))
            case DeleteRequest(position=position):
                self._later(request, self._changing(name, self._store.delete(name, position)))
            case RevertRequest(position=position, number=number):
                self._later(request, self._changing(name, self._store.revert(name, position, number)))
            case LearnRequest():
                self._later(request, self._learn(camera, request))
            case HistoryRequest(position=position):
                self._later(request, self._history(name, position))

    def _do_cue(self, request: CueRequest) -> None:
        if self._desk is None:
            self._refuse(
                request, "no-cues", "no cue list is loaded: name a show file under [show] in the configuration"
            )
            return
        result: dict[str, Any] | None = None
        try:
            match request:
                case StandbyRequest(number=number):
                    self._desk.stand_by(number, self._loop.time())
                case GoRequest(number=number):
                    result = GoResult.of(self._desk.go(number, self._loop.time())).as_result()
                case BackRequest():
                    self._desk.back()
                case JumpRequest(number=number):
                    self._desk.jump(number)
                case HoldRequest():
                    self._desk.hold()
                case ReleaseRequest():
                    self._desk.release()
        except CueRefusal as refusal:
            self._refuse(request, refusal.code, refusal.sentence)
        else:
            self._done(request, result)

    def _recall_for_cue(
        self,
        camera: str,
        position: str,
        speed: int | None,
        seconds: float | None,
        on_air: bool,
        token: CueToken,
    ) -> None:
        request = RecallRequest(
            topic=self._bus.topics.command("recall", camera),
            camera=camera,
            position=position,
            speed=speed,
            seconds=seconds,
            on_air=on_air,
            id=f"cue {token.cue}",
        )
        if self._has_overtaken(camera):
            self._refuse_recall(request, token, "overtaken", OVERTAKEN)
        else:
            self._recall(request, token)

    def _keep_cue_place(self, place: CuePlace) -> None:
        async def keep() -> None:
            assert self._show is not None
            try:
                await self._store.set_cue_place(self._show.show.name, place)
            except StoreError as error:
                log.error("the standing cue is not kept: after a restart it would be another", why=error.sentence)

        if self._tasks is not None:
            self._tasks.create_task(keep())

    def _say_cue(self, state: CueState) -> None:
        message = CueStateMessage.of(state, self._calendar())
        self._bus.publish(self._bus.topics.cue_state, message.encode(), retain=True)

    def _recall(self, request: RecallRequest, token: CueToken | None = None) -> None:
        """Start a move; its reports bear the token of a cue, or whom to answer."""
        camera = self.cameras.get(request.camera)
        if camera is None:
            self._refuse(request, "unknown-camera", _unknown("camera", request.camera, self.cameras))
            return
        position = self._store.position(request.camera, request.position)
        if position is None:
            known = self._store.positions(request.camera)
            self._refuse_recall(request, token, "unknown-position", _unknown("position", request.position, known))
            return
        try:
            framing = position.framing_for(camera.settings.dialect)
        except DialectError as error:
            code = "other-scales" if isinstance(error, ScalesError) else "unknown-dialect"
            self._refuse_recall(request, token, code, f"position {position.name}: {error}")
            return
        if request.camera in self._focus_by_itself:
            framing = replace(framing, focus_mode="auto")
        speed, seconds = request.speed, request.seconds
        if speed is None and seconds is None:
            speed, seconds = position.speed, position.seconds
        camera.recall(
            Recall(request.position, framing, speed, seconds, request.on_air, request.id, token or request.reply)
        )

    async def _store_framing(self, camera: Camera, request: StoreRequest) -> None:
        if not request.replace and self._store.position(camera.name, request.position) is not None:
            raise StoreError(
                "exists",
                f"camera {camera.name} already has a position {request.position}: store it with replace to put the new "
                "framing in its place (the old one stays in its history), or take another name",
            )
        framing = await camera.read_framing()
        speed, seconds, note = request.speed, request.seconds, request.note
        if (before := self._store.position(camera.name, request.position)) is not None:
            # Whoever frames a shot anew on the day still wants it as gently as it was.
            if speed is None and seconds is None:
                speed, seconds = before.speed, before.seconds
            note = note or before.note
        position = StoredPosition(
            camera=camera.name,
            name=request.position,
            framing=framing,
            dialect=camera.settings.dialect.name,
            speed=speed,
            seconds=seconds,
            note=note,
            stored_at=self._calendar(),
            scales=camera.settings.dialect.scales,
        )
        await self._changing(camera.name, self._store.store(position, request.replace))

    async def _changing(self, camera: str, change: Coroutine[Any, Any, Any]) -> None:
        await change
        self._say_positions(camera)
        self.cameras[camera].positions_changed()

    async def _history(self, camera: str, position: str) -> dict[str, Any]:
        entries = await self._store.history(camera, position)
        return HistoryResult.of(camera, position, entries).as_result()

    async def _learn(self, camera: Camera, request: LearnRequest) -> dict[str, Any]:
        topic = self._bus.topics.learn_progress(camera.name)

        def told(progress: Progress) -> None:
            message = LearnProgressMessage(
                camera=camera.name,
                id=request.id,
                done=progress.done,
                of=progress.of,
                doing=progress.doing,
                seconds_left=round(progress.seconds_left, 1),
            )
            self._bus.publish(topic, message.encode())

        limits = LearnLimits(request.pan_deg, request.tilt_deg, request.near_ends)
        if request.estimate:
            return LearnEstimate(seconds=round(camera.seconds_to_learn(limits), 1)).as_result()
        learned = await camera.learn(limits, told, self._rng)
        path = await self._heads.keep(camera.name, learned)
        renewal = learned.model.renewal
        return LearnResult(model=write_head(learned), path=str(path), renewal=renewal).as_result()

    async def _export(self) -> dict[str, Any]:
        return ExportResult(show=await self._store.export()).as_result()

    async def _import(self, text: str, replaces: bool) -> dict[str, Any]:
        imported = await self._store.import_(text, replaces)
        for name, camera in self.cameras.items():
            self._say_positions(name)
            camera.positions_changed()
        return ImportResult.of(imported).as_result()

    async def _keep_lock(self, camera: str, lock: Lock) -> None:
        try:
            await self._store.set_lock(camera, lock)
        except StoreError as error:
            raise StoreError(
                error.code, f"camera {camera} is locked now, but would not be after a restart: {error.sentence}"
            ) from error

    async def _unlock(self, camera: Camera, lock: Lock | None) -> None:
        trouble = None
        if camera.locked is lock:
            try:
                await self._store.clear_lock(camera.name)
            except StoreError as error:
                trouble = error
        if camera.locked is not lock:  # while the disk was busy, or in the same moment
            raise CameraRefusal("locked", f"camera {camera.name} was locked anew; unlock it when it is safe to move")
        camera.unlock()
        if trouble is not None:
            raise StoreError(
                trouble.code,
                f"camera {camera.name} is unlocked now, but would be locked after a restart: {trouble.sentence}",
            )

    def _later(self, request: Asked, work: Coroutine[Any, Any, dict[str, Any] | None]) -> None:
        if self._tasks is None:
            work.close()
            self._refuse(request, "ending", "the daemon is coming to its end; ask again when it is back")
            return
        self._tasks.create_task(self._finish(request, work))

    async def _finish(self, request: Asked, work: Coroutine[Any, Any, dict[str, Any] | None]) -> None:
        try:
            result = await work
        except (StoreError, CameraRefusal) as error:
            self._refuse(request, error.code, error.sentence)
        except Exception:
            log.exception("a command failed", topic=request.topic)
            self._refuse(request, "internal", "the daemon failed at this command; its log tells more")
        else:
            self._done(request, result)

    # Answers

    def _answered_before(self, request: Request) -> bool:
        """Answer a command that came before once more; return whether it was one."""
        repeat = self._outcomes.claim(request, self._loop.time())
        if repeat is None or isinstance(request, StopRequest | LockRequest):
            return False  # what makes a camera stand still is done as often as it is asked for
        if repeat.latest is not None:
            self._bus.publish(repeat.latest.topic, repeat.latest.payload)
            if repeat.latest.final and request.reply is not None:
                self._reply(request.reply, repeat.latest.payload)
        return True

    def _done(self, request: Asked, result: dict[str, Any] | None = None) -> None:
        self._say_outcome(request, OutcomeMessage(topic=request.topic, id=request.id, ok=True, result=result))

    def _refuse(self, request: Asked, code: str, sentence: str) -> None:
        self._say_outcome(
            request, OutcomeMessage(topic=request.topic, id=request.id, ok=False, code=code, sentence=sentence)
        )

    def _refuse_recall(self, request: RecallRequest, token: CueToken | None, code: str, sentence: str) -> None:
        self._reported(
            MoveReport(
                camera=request.camera,
                phase=Phase.REFUSED,
                position=request.position,
                id=request.id,
                predicted_seconds=None,
                measured_seconds=None,
                landing=None,
                code=code,
                sentence=sentence,
                as_of=self._calendar(),
                token=token or request.reply,
            )
        )

    def _say_outcome(self, request: Asked, outcome: OutcomeMessage) -> None:
        camera = getattr(request, "camera", None)
        answer = Answer(self._bus.topics.outcome, outcome.encode(), final=True)
        self._answer(answer, camera, request.id, request.reply)
        if not outcome.ok:
            self._refusals.refused(outcome.topic, outcome.code or "", outcome.sentence or "")

    def _answer(self, answer: Answer, camera: str | None, id: str | None, reply: Reply | None) -> None:
        """Say it for all to hear and, once it is final, to those who asked for an answer of their own."""
        self._bus.publish(answer.topic, answer.payload)
        replies = self._outcomes.said(camera, id, answer)
        if answer.final:
            for each in replies or (() if reply is None else (reply,)):
                self._reply(each, answer.payload)

    def _reply(self, reply: Reply, payload: bytes) -> None:
        self._bus.publish(reply.topic, payload, correlation=reply.correlation)

    # What cameras say

    def _reported(self, report: CameraState | MoveReport) -> None:
        topics = self._bus.topics
        if isinstance(report, CameraState):
            self._bus.publish(topics.state(report.camera), StateMessage.of(report).encode(), retain=True)
            if self._links.get(report.camera) != report.link:
                self._links[report.camera] = report.link
                log.info("camera link", camera=report.camera, link=report.link)
            if self._desk is not None:
                self._desk.heard(report)
            return
        reply = report.token if isinstance(report.token, Reply) else None
        answer = Answer(topics.move(report.camera), MoveMessage.of(report).encode(), final=report.phase.ended)
        asked_as = None if isinstance(report.token, CueToken) else report.id  # whoever calls a command of his the same
        self._answer(answer, report.camera, asked_as, reply)
        if self._desk is not None:
            self._desk.heard(report)
        if report.phase is Phase.REFUSED:
            self._refusals.refused(topics.command("recall", report.camera), report.code or "", report.sentence or "")
            return
        log.info(
            "move",
            camera=report.camera,
            position=report.position,
            phase=report.phase.value,
            **({} if report.code is None else {"code": report.code, "sentence": report.sentence}),
        )

    def _say_all(self) -> None:
        troubles = [*self._store.troubles]
        for name, camera in self.cameras.items():
            troubles += unfit_positions(name, self._store.positions(name), camera.settings.dialect)
        status = StatusMessage(
            state="online",
            version=version("ptzd"),
            cameras=list(self.cameras),
            since=self._calendar(),
            troubles=troubles,
        )
        for trouble in troubles:
            log.error(trouble)
        self._bus.publish(self._bus.topics.status, status.encode(), retain=True)
        for name, camera in self.cameras.items():
            self._reported(camera.state())
            self._say_positions(name)
        if self._desk is not None:
            self._desk.say_state()

    def _say_positions(self, camera: str) -> None:
        message = PositionsMessage.of(camera, self._store.positions(camera))
        self._bus.publish(self._bus.topics.positions(camera), message.encode(), retain=True)

    async def _attend(self, camera: Camera) -> None:
        """Keep a camera going: a mistake in one must not end the others."""
        while True:
            try:
                await camera.run()
            except Exception:
                log.exception("a camera's conversation broke off and begins anew", camera=camera.name)
                await asyncio.sleep(RESTART_PAUSE_SECONDS)


class _Stands:
    """Tells which stored position a framing is."""

    def __init__(self, store: PositionStore, settings: CameraSettings) -> None:
        self._store = store
        self._settings = settings

    def __call__(self, framing: Framing) -> str | None:
        settings = self._settings
        for name, position in self._store.positions(settings.name).items():
            try:
                wanted = position.framing_for(settings.dialect)
            except DialectError:
                continue
            if abs(framing.pan_counts - wanted.pan_counts) > settings.tolerance.pan_counts:
                continue  # most of them: no need to look closer
            if settings.tolerance.holds(landing(settings.dialect, framing, wanted)):
                return name
        return None


def _is_stale(request: Request | Refusal) -> bool:
    """Whether it would move a camera, and nothing says that it was meant for now after it waited."""
    match request:
        case DriveRequest():
            return True
        case RecallRequest(sent_at=None) | StandbyRequest(sent_at=None) | GoRequest(sent_at=None):
            return True
        case LearnRequest(sent_at=None, estimate=False):
            return True
    return False


def _unknown(kind: str, name: str, known: Iterable[str]) -> str:
    names = sorted(known)
    near = difflib.get_close_matches(name, names, 1)
    if near:
        return f"there is no {kind} {name}; did you mean {near[0]}?"
    return f"there is no {kind} {name}; known are {', '.join(names)}" if names else f"there is no {kind} yet"


def _head(name: str, config: CameraConfig, dialect: Dialect, kept: Path | None) -> HeadModel:
    path = config.head_model or kept
    learned = None if path is None else read_head_file(path)
    if learned is not None and learned.dialect == dialect.name:
        return learned.model
    if learned is not None:
        log.warning("learned in another dialect, so not used", camera=name, learned_in=learned.dialect)
    return published_head(
        dialect.pan.steps_deg_per_s,
        dialect.tilt.steps_deg_per_s,
        shared_speed=dialect.absolute == "shared-speed",
        settle=ON_A_TRIPOD if config.mount == "tripod" else ON_A_RAIL,
        renewal=dialect.renewal,
    )


def camera_settings(name: str, config: CameraConfig, kept: Path | None = None) -> CameraSettings:
    """Return what the camera needs of its table in the configuration.

    The head is as it was learned, in the file that the configuration names or else in `kept`, if there is one; or else
    as the dialect's tables have it. Raises DialectError or HeadFileError.
    """
    dialect = dialect_named(config.dialect)
    pan = tilt = config.tolerance_counts
    if config.tolerance_deg is not None:
        pan = max(1, dialect.pan.counts(config.tolerance_deg))
        tilt = max(1, dialect.tilt.counts(config.tolerance_deg))
    return CameraSettings(
        name=name,
        dialect=dialect,
        head=_head(name, config, dialect, kept),
        speed=config.speed,
        tolerance=Tolerance(pan, tilt, config.tolerance_counts, config.tolerance_counts),
        on_air_moves=config.on_air_moves,
        on_air_speed=config.on_air_speed,
        optics=_optics(dialect, config),
        window=_window(dialect, config),
        strange_motion=config.moved_by_others,
    )


def _window(dialect: Dialect, config: CameraConfig) -> Window | None:
    if config.window is None:
        return None
    reach = reach_of(dialect)
    return Window(config.window.pan_deg or reach.pan_deg, config.window.tilt_deg or reach.tilt_deg)


def _optics(dialect: Dialect, config: CameraConfig) -> Optics | None:
    if config.sensor is None or config.focal_length is None:
        return None
    first, second = config.focal_length[:2]
    if isinstance(first, tuple) or isinstance(second, tuple):
        lens = Lens(tuple(point for point in config.focal_length if isinstance(point, tuple)))
    elif first < second:
        lens = lens_between(first, second, dialect.zoom.ratios)
    else:
        return None  # a fixed lens: nothing relates its one focal length to zoom counts
    return Optics(Sensor(*config.sensor), lens, config.frame_rate)


def calendar() -> datetime:
    """The one clock for dates that people read."""
    return datetime.now(UTC)


def _bus(config: Config, rng: random.Random) -> MqttBus:
    broker = config.broker
    try:
        password = None
        if broker.password_file is not None:
            password = broker.password_file.read_text("utf-8").split("\n", 1)[0].rstrip("\r")
        settings = BrokerSettings(broker.host, broker.port, broker.protocol, broker.username, password, broker.ca_file)
        return MqttBus(
            settings,
            Topics(broker.base_topic),
            offline=StatusMessage(state="offline").encode(),
            cameras=config.camera,
            rng=rng,
        )
    except (OSError, ValueError) as error:
        raise StartError(f"the broker's settings can't be used: {error}") from None


def _guarded(config: Config) -> list[Guarded]:
    return [Guarded(name, each.link.host, each.link.port, each.dialect) for name, each in config.camera.items()]


async def run_daemon(config: Config, *, rng: random.Random, on_ready: Callable[[], None]) -> None:
    """Run the daemon until cancelled, and leave every camera at rest.

    Raises StartError if it can't start, and NotAtRestError, in the place of the cancellation, where a camera was not
    seen to come to rest.
    """
    async with AsyncExitStack() as stack:
        try:
            store = await stack.enter_async_context(PositionStore.open(config.store.path, calendar=calendar))
        except StoreError as error:
            raise StartError(error.sentence) from None
        heads = HeadFiles(config.store.path.parent)
        # Before any camera is spoken to: nothing is to move that nobody would stop.
        guard = await stack.enter_async_context(Keeper(_guarded(config)))
        opened: dict[str, tuple[CameraSettings, Link]] = {}
        for name, camera in config.camera.items():
            try:
                link = await stack.enter_async_context(links.open(camera.link))
                opened[name] = (camera_settings(name, camera, heads.path(name)), link)
            except OSError as error:
                raise StartError(f"camera {name}: its link {camera.link} can't be opened: {error}") from None
            except (DialectError, HeadFileError) as error:
                raise StartError(f"camera {name}: {error}") from None
        show = None
        if config.show is not None:
            try:
                show = read_show_file(config.show.file)
            except TextFileError as error:
                raise StartError(f"the show file {config.show.file} has mistakes: {error}") from None
        bus = await stack.enter_async_context(_bus(config, rng))
        service = Service(
            links=opened,
            focus_by_itself=frozenset(name for name, each in config.camera.items() if each.focus == "auto"),
            store=store,
            bus=bus,
            intake=Intake(bus.topics, calendar=calendar, late_after_seconds=config.recall.late_after_seconds),
            calendar=calendar,
            heads=heads,
            rng=rng,
            guard=guard,
            show=show,
            once_within_seconds=ONCE_WITHIN_SECONDS if config.show is None else config.show.once_within_seconds,
            stall=Stall(lambda: time.clock_gettime(time.CLOCK_BOOTTIME)),  # the loop's own stands still in a sleep
        )
        if not await guard.living(GUARD_SECONDS):
            log.error("the guard does not live yet; until then no camera makes a move that does not end by itself")
        try:
            await service.run(on_ready)
        finally:
            if service.not_at_rest:
                names = ", ".join(service.not_at_rest)
                raise NotAtRestError(f"Not seen to come to rest: {names}; {LOOK_AT_IT}.")
