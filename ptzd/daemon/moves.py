"""The commands that make one camera move or stop."""

from __future__ import annotations

import random
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from ptzd.bus import Asked, Bus
from ptzd.bus.commands import (
    DriveCommand,
    ForeseeCommand,
    LearnCommand,
    PowerCommand,
    RecallCommand,
    ResetCommand,
    StopAllCommand,
    StopCommand,
    TallyCommand,
)
from ptzd.bus.messages import (
    DriveResult,
    ForeseenMessage,
    ForeseenResult,
    LearnEstimate,
    LearnProgressMessage,
    LearnResult,
)
from ptzd.cameras import Camera, LearnLimits, Progress, Switching
from ptzd.motion import write_head
from ptzd.positions import HeadFiles, PositionStore
from ptzd.refusal import Refusal

from .cues import Cues
from .handling import handles
from .recalls import Recalls
from .unheard import stopped_when_unheard


@dataclass(eq=False, frozen=True, kw_only=True)
class Moves:
    """Joins cameras to whoever moves, stops or measures them."""

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

    @handles(ForeseeCommand)
    def foresee(self, asked: Asked[ForeseeCommand], camera: Camera) -> ForeseenResult:
        wanted, stored = asked.what, self.kept.positions(camera.name)
        if wanted.position is None and camera.on_air:
            raise Refusal(
                "on-air", f"camera {camera.name} is on air, where a move is planned with care: name a position"
            )
        names = stored if wanted.position is None else (wanted.position,)
        return ForeseenResult(
            camera=camera.name,
            on_air=camera.on_air,
            head_measured=camera.settings.head_measured,
            recalls=[self._foreseen(camera, name, wanted.speed, wanted.seconds) for name in names],
        )

    def _foreseen(self, camera: Camera, name: str, speed: int | None, seconds: float | None) -> ForeseenMessage:
        state = camera.state()
        standing = state.framing if state.position is not None else None  # what moves is nowhere
        stands = standing is not None and self.recalls.stands_in(camera.settings).position(standing, name)
        try:
            plan = self.recalls.foretold(camera, name, speed, seconds)
        except Refusal as refusal:
            return ForeseenMessage(position=name, stands=stands, code=refusal.code, sentence=refusal.sentence)
        return ForeseenMessage(
            position=name,
            stands=stands,
            predicted_seconds=round(plan.prediction.seconds_to_settled, 3),
            least_seconds=round(plan.prediction.least_seconds, 3),
            most_seconds=round(plan.prediction.most_seconds, 3),
            warning=plan.warning,
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
    def drive(self, asked: Asked[DriveCommand], camera: Camera) -> DriveResult:
        wanted = asked.what
        camera.drive(wanted.pan, wanted.tilt, wanted.zoom, wanted.focus, grip=wanted.grip)
        if wanted.pan or wanted.tilt or wanted.zoom or wanted.focus:  # not where a drive ends
            self.cues.driven(camera.name)
        seconds = None if wanted.grip is None else camera.seconds_across(wanted.grip)
        head_read, zoom_read = camera.read_seconds_ago() or (None, None)
        return DriveResult(
            seconds_across=None if seconds is None else round(seconds, 2),
            warning=f"nobody knows how wide the picture of camera {camera.name} is, so it goes at shares of the head's "
            "fastest: name its sensor and focal_length in the configuration"
            if wanted.grip is not None and seconds is None
            else None,
            head_read_seconds_ago=None if head_read is None else round(head_read, 2),
            zoom_read_seconds_ago=None if zoom_read is None else round(zoom_read, 2),
        )

    @handles(PowerCommand)
    def power(self, asked: Asked[PowerCommand], camera: Camera) -> Coroutine[Any, Any, None]:
        return self._switch(asked.what.power, asked, camera)

    @handles(ResetCommand)
    def reset(self, asked: Asked[ResetCommand], camera: Camera) -> Coroutine[Any, Any, None]:
        return self._switch("reset", asked, camera)

    async def _switch(
        self, switching: Switching, asked: Asked[PowerCommand] | Asked[ResetCommand], camera: Camera
    ) -> None:
        await camera.switch(switching, clear=asked.what.clear, on_air=asked.what.on_air)

    @handles(TallyCommand)
    def tally(self, asked: Asked[TallyCommand], camera: Camera) -> None:
        camera.set_tally(asked.what.tally, kept=asked.kept)

    @handles(LearnCommand)
    async def learn(self, asked: Asked[LearnCommand], camera: Camera) -> LearnResult | LearnEstimate:
        topic = self.bus.topics.of(LearnProgressMessage, camera.name)

        def told(progress: Progress) -> None:
            message = LearnProgressMessage.alike(
                progress,
                camera=camera.name,
                id=asked.id,
                seconds_left=round(progress.seconds_left, 1),
                promised_seconds=None if progress.promised_seconds is None else round(progress.promised_seconds, 1),
            )
            self.bus.publish(topic, message.encode())

        limits = LearnLimits(asked.what.pan_deg, asked.what.tilt_deg, asked.what.near_ends)
        if asked.what.estimate:
            return LearnEstimate(seconds=round(camera.seconds_to_learn(limits), 1))
        before = camera.activity
        await self.heads.require_readable(camera.name)
        if camera.activity is not before:
            raise Refusal("overtaken", f"camera {camera.name} was stopped or sent elsewhere meanwhile; ask again")
        async with stopped_when_unheard(camera, self.bus):
            learned = await camera.learn(limits, told, self.rng)
        path = await self.heads.keep(camera.name, learned)
        return LearnResult(model=write_head(learned), path=str(path), renewal=learned.model.renewal)
