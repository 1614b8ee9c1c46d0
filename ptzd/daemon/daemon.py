"""The daemon at work: cameras, the store and the bus, joined and watched over.

A message from the bus becomes a command, a command goes to the one function that does it, and what cameras say goes
back to the bus. A recall goes all the way from the message to the first packet in one call, with no task in between.
"""

from __future__ import annotations

import asyncio
import random
from collections.abc import Callable, Collection, Coroutine, Mapping, Sequence
from datetime import datetime, timedelta
from importlib.metadata import version
from typing import Any

import structlog

from ptzd.bus import Asked, Bus, HeldElsewhere, Incoming, Intake
from ptzd.bus.commands import Command, DriveCommand, StopCommand
from ptzd.bus.messages import STATUS_SECONDS, Result, StateMessage, StatusMessage
from ptzd.bus.topics import CommandTopic
from ptzd.cameras import ActivityKind, Camera, CameraSettings, CameraState, LinkState, MoveReport, Phase
from ptzd.cues import ONCE_WITHIN_SECONDS
from ptzd.files import ShowFile
from ptzd.guard import Guardian
from ptzd.links import Link
from ptzd.pictures import Pictures
from ptzd.positions import HeadFiles, PositionStore, RunDisk, inline, unfit_positions
from ptzd.refusal import Refusal

from .advice import unknown
from .aiming import Aiming
from .aligning import Aligning
from .answers import Answers
from .cuelist import CueList
from .cues import Cues
from .drift import Drift
from .handling import Brought, handlers_of
from .locks import Locks
from .memories import Memories
from .moves import Moves
from .positions import Positions
from .recalls import Recalls
from .seen import Seen
from .showtext import ShowText
from .stall import BEAT_SECONDS, Stall

REST_PATIENCE_SECONDS = 3.5  # of the five that a stop of the service may take
RESTART_PAUSE_SECONDS = 1.0
OVERTAKEN = "this was sent before a stop or lock that has been carried out already: send it anew if it is still wanted"
STALLED = "the daemon stood still while this waited: send it anew if it is still wanted"
LOOK_AT_IT = "look at it; pull its plug where it could endanger anybody"

log = structlog.get_logger()


class Daemon:
    """Cameras, the store and the bus, joined. `handle` takes each message and never raises."""

    def __init__(
        self,
        *,
        links: Mapping[str, tuple[CameraSettings, Link]],
        troubles: Sequence[str] = (),
        focus_by_itself: frozenset[str] = frozenset(),
        store: PositionStore,
        bus: Bus,
        intake: Intake,
        calendar: Callable[[], datetime],
        heads: HeadFiles,
        rng: random.Random,
        guard: Guardian,
        show: ShowFile | None = None,
        pictures: Pictures | None = None,
        show_text: ShowText | None = None,
        beside: RunDisk = inline,
        once_within_seconds: float = ONCE_WITHIN_SECONDS,
        stall: Stall | None = None,
        off_air_untold: bool = False,
    ) -> None:
        """`troubles` are sentences on what it starts without, beside those of the `store`.

        `focus_by_itself` names cameras whose stored focus is left alone; `show_text` is that of the show's file.

        Long sums are done `beside` the loop, in a thread but on a virtual clock. Needs a running loop.

        `stall` notices where the loop stood still; without one, as on a virtual clock, nobody looks. With
        `off_air_untold` a camera counts as off air until somebody tells; else as on air.
        """
        self._stall = stall
        self._guard = guard
        self._store = store
        self._troubles = (*store.troubles, *troubles)
        self._bus = bus
        self._intake = intake
        self._calendar = calendar
        self._links: dict[str, LinkState] = {}  # as last logged
        self._status = b""  # as last said
        self._tasks: asyncio.TaskGroup | None = None
        self._overtaken: frozenset[str | None] = frozenset()  # cameras stopped ahead of the message that is handled
        self.not_at_rest: tuple[str, ...] = ()  # the cameras that were not seen to come to rest when `run` ended
        recalls = Recalls(store, focus_by_itself)
        self.cameras = {
            name: Camera(
                settings,
                link,
                guard=guard,
                calendar=calendar,
                report=self._reported,
                stands_in=recalls.stands_in(settings),
                locks=store.locks_of(name),
                off_air_untold=off_air_untold,
            )
            for name, (settings, link) in links.items()
        }
        pictures = pictures or Pictures({})
        self.seen = Seen(self.cameras, pictures, store)
        self._answers = Answers(bus)
        self._cues = Cues(
            show=show,
            text=show_text,
            cameras=self.cameras,
            recalls=recalls,
            store=store,
            bus=bus,
            answers=self._answers,
            calendar=calendar,
            require_not_overtaken=self._require_not_overtaken,
            spawn=self._spawn,
            once_within_seconds=once_within_seconds,
        )
        self._memories = Memories(store, bus, self._spawn)
        self._positions = Positions(
            cameras=self.cameras,
            kept=store,
            bus=bus,
            calendar=calendar,
            cues=self._cues,
            seen=self.seen,
            memories=self._memories,
        )
        self._drift = Drift(
            cameras=self.cameras,
            pictures=pictures,
            kept=store,
            seen=self.seen,
            say_positions=self._positions.say,
            bus=bus,
            calendar=calendar,
            spawn=self._spawn,
        )
        self._locks = Locks(
            cameras=self.cameras,
            kept=store,
            stopped=self._cues.stopped,
            say=lambda camera: self._reported(camera.state()),
            spawn=self._spawn,
            calendar=calendar,
        )
        self._moves = Moves(
            cameras=self.cameras,
            recalls=recalls,
            cues=self._cues,
            kept=store,
            heads=heads,
            bus=bus,
            rng=rng,
            calendar=calendar,
        )
        cue_list = CueList(
            cues=self._cues,
            text=show_text,
            cameras=self.cameras,
            store=store,
            focus_by_itself=focus_by_itself,
            beside=beside,
        )
        aligning = Aligning(store, pictures, changed=self._positions.changed, calendar=calendar)
        self.handlers = handlers_of(
            self._moves, self._locks, Aiming(), self._positions, self._memories, aligning, self._cues, cue_list
        )

    async def run(self, ready: Callable[[], None]) -> None:
        """Serve until cancelled; then bring every camera to rest. `not_at_rest` tells whether that was seen.

        Where another daemon turns out to run below the same base, only what moves by this one's order is brought to
        rest, and HeldElsewhere is raised.
        """
        try:
            await self._serve(ready)
        except* HeldElsewhere:
            pass
        await self._bus.hold()  # raises it as it is, not in a group

    async def _serve(self, ready: Callable[[], None]) -> None:
        async with asyncio.TaskGroup() as attended:
            kept = [attended.create_task(self._attend(camera)) for camera in self.cameras.values()]
            if self._stall is not None:
                kept.append(attended.create_task(self._beat()))
            kept.append(attended.create_task(self._say_that_it_lives()))
            others: list[str] = []  # cameras that are another daemon's to move, and that this one does not
            try:
                self._say_all()
                for camera in self.cameras.values():
                    camera.held_on()  # a hand that pushes since before this daemon lived is to let go first
                async with asyncio.TaskGroup() as self._tasks:
                    ready()
                    async for incoming in self._bus:
                        self.handle(incoming)
            except* HeldElsewhere:
                others = [name for name, camera in self.cameras.items() if camera.activity.kind is ActivityKind.AT_REST]
                raise
            finally:
                self._tasks = None
                self._cues.stopped(None)  # what a cue holds back must not begin while all come to rest
                await self._rest(others)
                for task in kept:
                    task.cancel()

    async def _rest(self, others: Collection[str]) -> None:
        """Bring all cameras to rest but `others`."""
        ours = [camera for name, camera in self.cameras.items() if name not in others]
        rests = await asyncio.gather(*(camera.come_to_rest(REST_PATIENCE_SECONDS) for camera in ours))
        self.not_at_rest = tuple(camera.name for camera, rested in zip(ours, rests, strict=True) if not rested)
        for name in set(self.cameras).difference(self.not_at_rest):
            self._guard.renew(name, 0.0)  # or it would take the end of the daemon for a death
        for name in self.not_at_rest:
            log.error(f"camera {name} was not seen to come to rest: {LOOK_AT_IT}", camera=name)
            if self.cameras[name].state().activity is ActivityKind.HALTING:
                self._guard.halt(name, "the daemon ended and had not seen it come to rest")

    async def _attend(self, camera: Camera) -> None:
        """Keep a camera going: a mistake in one must not end the others."""
        while True:
            try:
                await camera.run()
            except Exception:
                log.exception("a camera's conversation broke off and begins anew", camera=camera.name)
                await asyncio.sleep(RESTART_PAUSE_SECONDS)

    async def _beat(self) -> None:
        while True:
            self._look_for_a_stall()
            await asyncio.sleep(BEAT_SECONDS)

    async def _say_that_it_lives(self) -> None:
        """Say the status again and again: what a broker keeps of a daemon that is gone or frozen looks the same."""
        while True:
            await asyncio.sleep(STATUS_SECONDS)
            self._bus.publish(self._bus.topics.of(StatusMessage), self._status, retain=True)

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

    # What comes

    @property
    def serving(self) -> bool:
        """Whether it takes commands: no longer, once its cameras come to rest."""
        return self._tasks is not None

    def stop_at(self, leads: Mapping[str, frozenset[str]], places: frozenset[str]) -> list[str]:
        """Stop each camera that leads to one of these places, as a message would; return their names."""
        names = [name for name, own in leads.items() if own & places]
        for name in names:
            self.handle(Incoming(self._bus.topics.of(StopCommand, name), b""))
        return names

    def tell_of(self, leads: Mapping[str, frozenset[str]], places: frozenset[str]) -> list[dict[str, Any]]:
        """Return what was seen of each camera at one of these places: once stopped, it has stood still if it rests."""
        states = [self.cameras[name].state() for name, own in leads.items() if own & places]
        return [
            {
                "still": each.link == "up" and each.activity is ActivityKind.AT_REST,
                "standby": each.link == "up" and each.activity is ActivityKind.AT_REST and each.power == "standby",
                "heard": each.link == "up",
                "pan_deg": each.pan_deg,
                "tilt_deg": each.tilt_deg,
                "zoom_counts": None if each.framing is None else each.framing.zoom_counts,
            }
            for each in states
        ]

    def push_unheard(self, topic: str) -> None:
        """Take note of what came on a topic and was not done in time: a hand may well go on pushing."""
        found = self._bus.topics.parse(topic)
        if isinstance(found, CommandTopic) and found.command is DriveCommand and found.camera in self.cameras:
            self.cameras[found.camera].push_unheard()

    def handle(self, incoming: Incoming) -> None:
        """Do what a message asks for, or say why not."""
        try:
            self._look_for_a_stall()
            waited = self._stall is not None and self._stall.message_waited()
            in_doubt = self._bus.asks_anew  # whether the base is still ours
            asked = self._intake.read(incoming)
            what = asked.what
            self._overtaken = incoming.overtaken
            if incoming.again:  # it was carried out ahead of what was sent before it; a lock of then still holds
                if isinstance(what, StopCommand):
                    self._moves.stop_now(asked.camera)
            elif isinstance(what, Refusal):
                if what.code in ("late", "early"):
                    self.push_unheard(incoming.topic)
                self._answers.refused(asked, what)
            else:
                self._command(asked, what, waited or in_doubt, in_doubt)
        except Exception:
            log.exception("a message could not be handled", topic=incoming.topic)
        finally:
            self._overtaken = frozenset()

    def _command(self, asked: Asked[Any], command: Command, waited: bool, in_doubt: bool) -> None:
        """Do a command, unless it has lost its meaning or was done before."""
        try:
            if self._overtaken and asked.camera is not None and command.undone_by_a_stop:
                self._require_not_overtaken(asked.camera)
            if waited and (command.stale_once_it_waited or (in_doubt and command.would_move)):
                raise Refusal("stalled", STALLED)
            if asked.id is not None and self._answers.answered_before(asked):
                return
            handler = self.handlers[type(command)]
            if asked.camera is None:
                brought = handler(asked)
            elif (camera := self.cameras.get(asked.camera)) is None:
                raise Refusal("unknown-camera", unknown("camera", asked.camera, self.cameras))
            else:
                brought = handler(asked, camera)
        except Refusal as refusal:
            if waited or self._overtaken:
                self.push_unheard(asked.topic)
            self._answers.refused(asked, refusal)
            return
        if brought is None or isinstance(brought, Result):
            self._done(asked, brought)
        else:
            self._finish_later(asked, brought)

    def _done(self, asked: Asked[Command], brought: Brought) -> None:
        if asked.complaint is None:
            self._answers.done(asked, brought)
        else:
            self._answers.refused(asked, asked.complaint)

    def _require_not_overtaken(self, camera: str) -> None:
        if camera in self._overtaken or None in self._overtaken:
            raise Refusal("overtaken", OVERTAKEN)

    def _finish_later(self, asked: Asked[Command], work: Coroutine[Any, Any, Brought]) -> None:
        if self._tasks is None:
            work.close()
            self._answers.refused(
                asked, Refusal("ending", "the daemon is coming to its end; ask again when it is back")
            )
            return
        self._tasks.create_task(self._finish(asked, work))

    async def _finish(self, asked: Asked[Command], work: Coroutine[Any, Any, Brought]) -> None:
        try:
            self._done(asked, await work)
        except Refusal as refusal:
            self._answers.refused(asked, refusal)
        except Exception:
            log.exception("a command failed", topic=asked.topic)
            why = Refusal("internal", "the daemon failed at this command; its log tells more")
            self._answers.refused(asked, why)

    def _spawn(self, work: Coroutine[Any, Any, None]) -> None:
        if self._tasks is None:
            work.close()
        else:
            self._tasks.create_task(work)

    def left_by_guard(self, name: str) -> None:
        """Take note that the guard has halted a camera, and perhaps over the same connection."""
        self.cameras[name].contact.line.overheard()

    # What cameras say

    def _reported(self, report: CameraState | MoveReport) -> None:
        if isinstance(report, CameraState):
            topic = self._bus.topics.of(StateMessage, report.camera)
            optics = self.cameras[report.camera].settings.optics
            unkept = self._locks.unkept(report.camera)
            self._bus.publish(topic, StateMessage.of(report, optics, unkept).encode(), retain=True)
            if self._links.get(report.camera) != report.link:
                self._links[report.camera] = report.link
                trouble = self.cameras[report.camera].contact.line.trouble
                why = {} if trouble is None else {"reason": trouble}
                log.info("camera link", camera=report.camera, link=report.link, **why)
            self._cues.heard(report)
            return
        self._answers.moved(report)
        self._cues.heard(report)
        self._drift.heard(report)
        self._memories.heard(report)
        if report.phase is not Phase.REFUSED:
            log.info(
                "move",
                camera=report.camera,
                position=report.position,
                phase=report.phase.value,
                **({} if report.code is None else {"code": report.code, "sentence": report.sentence}),
            )

    def _say_all(self) -> None:
        troubles = [*self._troubles]
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
        self._status = status.encode()
        self._bus.publish(self._bus.topics.of(StatusMessage), self._status, retain=True)
        self._cues.say_on_air()
        for name, camera in self.cameras.items():
            self._reported(camera.state())
            self._positions.say(name)
        self._cues.say_state()
