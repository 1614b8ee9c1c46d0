"""The commands on stored positions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

from ptzd.bus import Asked, Bus
from ptzd.bus.commands import (
    ArrangeCommand,
    DeleteCommand,
    ExportCommand,
    HistoryCommand,
    ImportCommand,
    PaceCommand,
    RenameCommand,
    RevertCommand,
    StoreCommand,
)
from ptzd.bus.messages import ExportResult, HistoryResult, ImportResult, NamedResult, PositionsMessage, StoreResult
from ptzd.cameras import Camera
from ptzd.positions import PositionStore, StoredPosition, beyond, unfit_positions
from ptzd.refusal import Refusal

from .advice import unknown
from .cues import Cues
from .handling import handles
from .memories import Memories
from .seen import Seen

STORE_WITH_REPLACE = "store it with replace"  # what helps, in the words of a message


@dataclass(eq=False, frozen=True, kw_only=True)
class Positions:
    """The store towards the bus, and towards the cameras that frame what is stored."""

    cameras: Mapping[str, Camera]
    kept: PositionStore
    bus: Bus
    calendar: Callable[[], datetime]
    cues: Cues
    seen: Seen
    memories: Memories

    @handles(StoreCommand)
    async def store(self, asked: Asked[StoreCommand], camera: Camera) -> StoreResult:
        wanted = asked.what
        if not wanted.replace and self.kept.position(camera.name, wanted.position) is not None:
            raise Refusal(
                "exists",
                f"camera {camera.name} already has a position {wanted.position}: {STORE_WITH_REPLACE} to put the new "
                "framing in its place (the old one stays in its history), or take another name",
                STORE_WITH_REPLACE,
            )
        framing = await camera.read_framing()
        speed, seconds, note = wanted.speed, wanted.seconds, wanted.note
        if (before := self.kept.position(camera.name, wanted.position)) is not None:
            # Whoever frames a shot anew on the day still wants it as gently as it was.
            if speed is None and seconds is None:
                speed, seconds = before.speed, before.seconds
            note = note or before.note
        position = StoredPosition(
            camera=camera.name,
            name=wanted.position,
            framing=framing,
            dialect=camera.settings.dialect.name,
            speed=speed,
            seconds=seconds,
            note=note,
            stored_at=self.calendar(),
            scales=camera.settings.dialect.scales,
        )
        await self.kept.store(position, wanted.replace)
        self.changed(camera)
        forgotten = await self.memories.remember(camera, position)
        if not self.seen.sees(camera.name):
            return StoreResult(still=False, warning=forgotten)
        try:
            still = await self.seen.still_standing(camera, framing)
            if not await self.kept.keep_still(position, still):
                raise Refusal("replaced", f"{position.name} is another position by now")
        except Refusal as refusal:
            no_still = f"no still was kept: {refusal.sentence}"
            return StoreResult(still=False, warning="; ".join(each for each in (forgotten, no_still) if each))
        self.say(camera.name)
        return StoreResult(still=True, warning=forgotten)

    @handles(PaceCommand)
    async def pace(self, asked: Asked[PaceCommand], camera: Camera) -> None:
        position = self.kept.known(camera.name, asked.what.position)
        paced = replace(position, speed=asked.what.speed, seconds=asked.what.seconds, stored_at=self.calendar())
        await self.kept.store(paced, replace=True)
        self.changed(camera)

    @handles(RenameCommand)
    async def rename(self, asked: Asked[RenameCommand], camera: Camera) -> NamedResult:
        await self.kept.rename(camera.name, asked.what.position, asked.what.to)
        self.changed(camera)
        return NamedResult(warning=self.cues.still_names(camera.name, asked.what.position))

    @handles(ArrangeCommand)
    async def arrange(self, asked: Asked[ArrangeCommand], camera: Camera) -> None:
        await self.kept.arrange(camera.name, asked.what.positions)
        self.say(camera.name)

    @handles(DeleteCommand)
    async def delete(self, asked: Asked[DeleteCommand], camera: Camera) -> NamedResult:
        await self.kept.delete(camera.name, asked.what.position)
        self.changed(camera)
        return NamedResult(warning=self.cues.still_names(camera.name, asked.what.position))

    @handles(RevertCommand)
    async def revert(self, asked: Asked[RevertCommand], camera: Camera) -> None:
        await self.kept.revert(camera.name, asked.what.position, asked.what.number)
        self.changed(camera)

    @handles(HistoryCommand)
    async def history(self, asked: Asked[HistoryCommand], camera: Camera) -> HistoryResult:
        entries = await self.kept.history(camera.name, asked.what.position)
        return HistoryResult.of(camera.settings, asked.what.position, entries)

    @handles(ExportCommand)
    async def export(self, asked: Asked[ExportCommand]) -> ExportResult:
        if asked.what.camera is not None and asked.what.camera not in {*self.cameras, *self.kept.cameras}:
            raise Refusal("unknown-camera", unknown("camera", asked.what.camera, self.cameras))
        return ExportResult(show=await self.kept.export(asked.what.camera, stills=asked.what.stills))

    @handles(ImportCommand)
    async def import_(self, asked: Asked[ImportCommand]) -> ImportResult:
        imported = await self.kept.import_(asked.what.show, asked.what.replace)
        warnings: list[str] = []
        for name, camera in self.cameras.items():
            self.changed(camera)
            warnings += unfit_positions(name, self.kept.positions(name), camera.settings.dialect)
            warnings += [
                f"camera {name} can't be sent to {position}: {trouble}"
                for position, each in self.kept.positions(name).items()
                if (trouble := beyond(camera.settings, each)) is not None
            ]
        warnings += [
            f"positions of camera {name} are stored, but there is no camera {name} in the configuration"
            for name in self.kept.cameras
            if name not in self.cameras
        ]
        return ImportResult.alike(imported, warnings=warnings)

    def say(self, camera: str) -> None:
        """Say what is stored of a camera."""
        message = PositionsMessage.of(self.cameras[camera].settings, self.kept.arranged(camera))
        self.bus.publish(self.bus.topics.of(PositionsMessage, camera), message.encode(), retain=True)

    def changed(self, camera: Camera) -> None:
        """Let all hear that what is stored of a camera is otherwise."""
        self.say(camera.name)
        camera.positions_changed()
        self.cues.positions_changed()
