"""The cameras' own memories: each position of a camera that is recalled by them lies in one as well.

They are a mirror. What counts is what is stored here, so another camera gets them back, and one of them that turns out
not to hold what it should is not trusted any more, nor are the others of that camera: it may be another one.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from dataclasses import dataclass
from typing import Any

from ptzd.bus import Asked, Bus
from ptzd.bus.commands import RestoreCommand
from ptzd.bus.messages import RestoreResult
from ptzd.cameras import Camera, MoveReport, Phase, Recall, not_clear
from ptzd.positions import PositionStore, StoredPosition, content_of, memory_for
from ptzd.refusal import Refusal
from ptzd.visca import DialectError

from .handling import handles
from .unheard import stopped_when_unheard

LOOK_SECONDS = 0.05


@dataclass(eq=False, frozen=True)
class Memories:
    """See the module."""

    store: PositionStore
    bus: Bus
    spawn: Callable[[Coroutine[Any, Any, None]], None]

    def heard(self, report: MoveReport) -> None:
        """Trust a camera's memories no more once one of them was wrong. Returns at once."""
        if report.lost_memory is not None:
            self.spawn(self._forget(report.camera))

    async def remember(self, camera: Camera, position: StoredPosition) -> str | None:
        """Have a camera that stands in a position keep it in a memory of its own; return why it did not, if so."""
        if camera.settings.memories is None:
            return None
        stored = self.store.positions(camera.name).values()
        held = self.store.memories(camera.name)
        number = memory_for(held, position, stored, camera.settings.memories.count)
        if number is None:
            return (
                f"the {camera.settings.memories.count} memories of camera {camera.name} are all taken, so this is "
                "recalled by position"
            )
        try:
            await self.store.keep_memory(camera.name, number, None)  # whatever comes: it no longer holds what it held
            await camera.remember(number)
            await self.store.keep_memory(camera.name, number, content_of(position))
        except Refusal as refusal:
            return f"{refusal.sentence}, so it is recalled by position"
        return None

    @handles(RestoreCommand)
    async def restore(self, asked: Asked[RestoreCommand], camera: Camera) -> RestoreResult:
        positions = self.store.arranged(camera.name)
        if camera.settings.memories is None:
            raise Refusal(
                "no-memory",
                f"camera {camera.name} is recalled by position, so there is nothing to restore in it: its positions "
                "are here; name its memories in the configuration, such as memories = { count = 6 }",
            )
        if not asked.what.clear:
            raise not_clear(camera.settings, f"go by itself to each of its {len(positions)} positions")
        async with stopped_when_unheard(camera, self.bus):
            return await self._restore(camera, positions)

    async def _restore(self, camera: Camera, positions: Mapping[str, StoredPosition]) -> RestoreResult:
        await self._forget(camera.name)
        restored: list[str] = []
        left: list[str] = []
        for at, position in enumerate(positions.values(), 1):
            try:
                await self._go(camera, position)
                orders = camera.contact.line.interruptions
                why = await self.remember(camera, position)
                ended = camera.contact.line.interruptions != orders  # a stop while it stood there is one all the same
            except Refusal as refusal:
                why, ended = refusal.sentence, refusal.code == "ended"
            if why is None:
                restored.append(position.name)
            else:
                left.append(f"{position.name}: {why}")
            if ended:
                left += [f"{name}: not gone to" for name in [*positions][at:]]
                break
        return RestoreResult(restored=restored, left=left)

    async def _forget(self, camera: str) -> None:
        for number in self.store.memories(camera):
            await self.store.keep_memory(camera, number, None)

    async def _go(self, camera: Camera, position: StoredPosition) -> None:
        """Bring a camera to a position and wait until it stands there. Raises Refusal; `ended` where nobody goes on."""
        try:
            framing = position.framing_for(camera.settings.dialect)
        except DialectError as error:
            raise Refusal("unknown-dialect", str(error)) from None
        camera.require_possible(Recall(position.name, framing))
        camera.recall(Recall(position.name, framing))
        move = camera.activity.move
        while move is not None and camera.activity.move is move:  # noqa: ASYNC110 - a move's end wakes nobody
            await asyncio.sleep(LOOK_SECONDS)
        settled = move is not None and move.phase is Phase.SETTLED
        if not settled or camera.moving:
            ended = settled or (move is not None and move.phase in (Phase.STOPPED, Phase.SUPERSEDED))
            raise Refusal(
                "ended" if ended else "off-position",
                "it was stopped or sent elsewhere meanwhile" if ended else "it did not settle there",
            )
