"""The commands that keep a camera still and let go of it, and the store, in which both outlive the daemon."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import structlog

from ptzd.bus import Asked
from ptzd.bus.commands import LockCommand, UnlockCommand
from ptzd.bus.messages import LocksResult
from ptzd.cameras import Camera, Lock, locked_by
from ptzd.positions import PositionStore
from ptzd.refusal import Refusal

from .handling import handles

SEEN_TO_REST_SECONDS = 3.5  # after a lock: a head brakes within 2 s, and a silent one is known to be by then
ANEW_SECONDS = 2.0  # until what the disk did not take is tried again
NAME_WHOSE = 'name whose lock to take off as "whose"'  # what helps, in the words of a message

log = structlog.get_logger(__name__)


@dataclass(eq=False, frozen=True, kw_only=True)
class Locks:
    """Joins cameras to whoever locks and unlocks them.

    A lock holds at once, whatever the disk says; what that did not take is tried again until it has.
    """

    cameras: Mapping[str, Camera]
    kept: PositionStore
    stopped: Callable[[str], None]  # hears of every camera that a lock has stopped
    say: Callable[[Camera], None]  # says the state of a camera anew
    spawn: Callable[[Coroutine[Any, Any, None]], None]
    calendar: Callable[[], datetime]
    _behind: set[str] = field(default_factory=set)  # cameras whose locks are others in the store

    def unkept(self, camera: str) -> frozenset[str]:
        """Return whose locks of a camera would be gone after a restart."""
        if camera not in self._behind:
            return frozenset()
        stored = {lock.by for lock in self.kept.locks_of(camera)}
        return frozenset(lock.by for lock in self.cameras[camera].locks if lock.by not in stored)

    @handles(LockCommand)
    def lock(self, asked: Asked[LockCommand], camera: Camera) -> Coroutine[Any, Any, LocksResult]:
        """Lock at once; what comes later is whether that is kept."""
        by, reason, since = asked.what.by, asked.what.reason, self.calendar()
        if (before := _lock_by(by, camera)) is not None:  # the same person, who may know more by now
            reason, since = reason or before.reason, before.since
        lock = Lock(by, reason, since)
        camera.lock(lock)
        self.stopped(camera.name)
        return self._locked(camera, lock, asyncio.get_running_loop().time())

    async def _locked(self, camera: Camera, lock: Lock, at: float) -> LocksResult:
        """Keep a lock; tell whether the camera has come to rest since, or has answered at least."""
        await self._keep(camera, lock)
        stands = camera.contact.up and await camera.until_at_rest(SEEN_TO_REST_SECONDS)
        return self._result(camera, answers=camera.contact.up and camera.contact.read_at > at, stands=stands)

    async def _keep(self, camera: Camera, lock: Lock) -> None:
        try:
            await self.kept.set_lock(camera.name, lock)
        except Refusal as refusal:
            self._keep_later(camera)
            raise Refusal(
                refusal.code,
                f"camera {camera.name} is locked now, but would not be after a restart: {refusal.sentence}",
            ) from refusal

    @handles(UnlockCommand)
    def unlock(self, asked: Asked[UnlockCommand], camera: Camera) -> Coroutine[Any, Any, LocksResult]:
        whose = asked.what.whose or asked.what.by
        lock = _lock_by(whose, camera)
        if lock is None and camera.locks:
            raise Refusal(
                "not-theirs",
                f"camera {camera.name} is not locked by {whose}, it is {locked_by(camera.locks)}: let them unlock it, "
                f"or {NAME_WHOSE}",
                NAME_WHOSE,
            )
        return self._unlock(camera, whose, lock)

    async def _unlock(self, camera: Camera, whose: str, lock: Lock | None) -> LocksResult:
        trouble = None
        if _lock_by(whose, camera) is lock:
            try:
                await self.kept.clear_lock(camera.name, whose)
            except Refusal as refusal:
                trouble = refusal
        if (now := _lock_by(whose, camera)) is not None and now is not lock:
            # While the disk was busy, or in the same moment: the disk may have heard of both in another order.
            await self._keep(camera, now)
            raise Refusal("locked", f"camera {camera.name} was locked anew; unlock it when it is safe to move")
        if lock is not None:
            camera.unlock(lock)
        if trouble is not None:
            self._keep_later(camera)
            unlocked = f"no longer locked by {whose}" if camera.locks else "unlocked"
            raise Refusal(
                trouble.code,
                f"camera {camera.name} is {unlocked} now, but would be locked after a restart: {trouble.sentence}",
            )
        return self._result(camera, answers=camera.contact.up, stands=camera.contact.up and not camera.moving)

    def _result(self, camera: Camera, *, answers: bool, stands: bool) -> LocksResult:
        return LocksResult.of(camera.state(), self.unkept(camera.name), answers=answers, stands=stands)

    def _keep_later(self, camera: Camera) -> None:
        if camera.name not in self._behind:
            self._behind.add(camera.name)
            self.spawn(self._catch_up(camera))
        self.say(camera)

    async def _catch_up(self, camera: Camera) -> None:
        """Try until the store has the locks that the camera has."""
        while (behind := self._first_behind(camera)) is not None:
            by, lock = behind
            with suppress(Refusal):
                await (self.kept.clear_lock(camera.name, by) if lock is None else self.kept.set_lock(camera.name, lock))
                continue
            await asyncio.sleep(ANEW_SECONDS)
        self._behind.discard(camera.name)
        self.say(camera)
        log.info("the locks of a camera are kept now", camera=camera.name)

    def _first_behind(self, camera: Camera) -> tuple[str, Lock | None] | None:
        """Return whose lock the store has otherwise, and what it is (None: they have let go); None where none is."""
        stored = {lock.by: lock.reason for lock in self.kept.locks().get(camera.name, ())}
        now = {lock.by: lock for lock in camera.locks}
        for by in (*now, *stored):
            lock = now.get(by)
            if lock is None or stored.get(by) != lock.reason:
                return by, lock
        return None


def _lock_by(whose: str, camera: Camera) -> Lock | None:
    return next((lock for lock in camera.locks if lock.by == whose), None)
