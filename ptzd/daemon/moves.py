"""The commands that make one camera move or stand still."""

from __future__ import annotations

import random
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ptzd.bus import Asked, Bus
from ptzd.bus.commands import (
    DriveCommand,
    LearnCommand,
    LockCommand,
    RecallCommand,
    StopAllCommand,
    StopCommand,
    TallyCommand,
    UnlockCommand,
)
from ptzd.bus.messages import LearnEstimate, LearnProgressMessage, LearnResult
from ptzd.cameras import Camera, LearnLimits, Lock, Progress
from ptzd.motion import write_head
from ptzd.positions import HeadFiles, PositionStore
from ptzd.refusal import Refusal

from .cues import Cues
from .handling import handles
from .recalls import Recalls


@dataclass(frozen=True, kw_only=True)
class Moves:
    """Joins cameras to whoever moves, stops, locks or measures them."""

    cameras: Mapping[str, Camera]
    recalls: Recalls
    cues: Cues
    kept: PositionStore
    heads: HeadFiles
    bus: Bus
    rng: random.Random
    calendar: Callable[[], datetime]

    @handles(RecallCommand)
    def recall(self, asked: Asked[RecallCommand], camera: Camera) -> None:
        wanted = asked.what
        self.recalls.start(
            camera,
            wanted.position,
            wanted.speed,
            wanted.seconds,
            exactly=True,
            on_air=wanted.on_air,
            id=asked.id,
            token=asked.reply,
        )

    @handles(StopCommand)
    def stop(self, asked: Asked[StopCommand], camera: Camera) -> None:
        self.stop_now(camera.name)

    @handles(StopAllCommand)
    def stop_all(self, asked: Asked[StopAllCommand]) -> None:
        self.stop_now(None)

    def stop_now(self, camera: str | None) -> None:
        """Stop a camera, or (None) all."""
        for name in self.cameras if camera is None else (camera,):
            if name in self.cameras:
                self.cameras[name].stop()
        self.cues.stopped(camera)

    @handles(DriveCommand)
    def drive(self, asked: Asked[DriveCommand], camera: Camera) -> None:
        wanted = asked.what
        camera.drive(wanted.pan, wanted.tilt, wanted.zoom, wanted.focus)
        if wanted.pan or wanted.tilt or wanted.zoom or wanted.focus:  # not where a drive ends
            self.cues.driven(camera.name)

    @handles(TallyCommand)
    def tally(self, asked: Asked[TallyCommand], camera: Camera) -> None:
        camera.set_tally(asked.what.tally)

    @handles(LockCommand)
    def lock(self, asked: Asked[LockCommand], camera: Camera) -> Coroutine[Any, Any, None]:
        """Lock at once; what comes later is whether that is kept."""
        lock = Lock(asked.what.by, asked.what.reason, self.calendar())
        camera.lock(lock)
        self.cues.stopped(camera.name)
        return self._keep_lock(camera.name, lock)

    async def _keep_lock(self, camera: str, lock: Lock) -> None:
        try:
            await self.kept.set_lock(camera, lock)
        except Refusal as refusal:
            raise Refusal(
                refusal.code, f"camera {camera} is locked now, but would not be after a restart: {refusal.sentence}"
            ) from refusal

    @handles(UnlockCommand)
    def unlock(self, asked: Asked[UnlockCommand], camera: Camera) -> Coroutine[Any, Any, None]:
        return self._unlock(camera, camera.locked)

    async def _unlock(self, camera: Camera, lock: Lock | None) -> None:
        trouble = None
        if camera.locked is lock:
            try:
                await self.kept.clear_lock(camera.name)
            except Refusal as refusal:
                trouble = refusal
        if camera.locked is not lock:  # while the disk was busy, or in the same moment
            raise Refusal("locked", f"camera {camera.name} was locked anew; unlock it when it is safe to move")
        camera.unlock()
        if trouble is not None:
            raise Refusal(
                trouble.code,
                f"camera {camera.name} is unlocked now, but would be locked after a restart: {trouble.sentence}",
            )

    @handles(LearnCommand)
    async def learn(self, asked: Asked[LearnCommand], camera: Camera) -> LearnResult | LearnEstimate:
        topic = self.bus.topics.of(LearnProgressMessage, camera.name)

        def told(progress: Progress) -> None:
            message = LearnProgressMessage(
                camera=camera.name,
                id=asked.id,
                done=progress.done,
                of=progress.of,
                doing=progress.doing,
                seconds_left=round(progress.seconds_left, 1),
            )
            self.bus.publish(topic, message.encode())

        limits = LearnLimits(asked.what.pan_deg, asked.what.tilt_deg, asked.what.near_ends)
        if asked.what.estimate:
            return LearnEstimate(seconds=round(camera.seconds_to_learn(limits), 1))
        learned = await camera.learn(limits, told, self.rng)
        path = await self.heads.keep(camera.name, learned)
        return LearnResult(model=write_head(learned), path=str(path), renewal=learned.model.renewal)
