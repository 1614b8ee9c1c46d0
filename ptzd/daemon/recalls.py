"""From a stored position to a move of the head that stands there now."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import dataclass, replace

from ptzd.cameras import Camera, CameraSettings, MovePlan, Recall
from ptzd.line import Framing, landing
from ptzd.positions import PositionStore, StoredPosition, content_of
from ptzd.refusal import Refusal
from ptzd.visca import DialectError, ScalesError


@dataclass(eq=False, frozen=True)
class Recalls:
    """Starts moves to stored positions, for whoever asks: a message or a cue."""

    store: PositionStore
    focus_by_itself: Set[str]  # the cameras whose stored focus is left alone

    def stands_in(self, settings: CameraSettings) -> StandsIn:
        """Return what tells in which stored position a camera stands."""
        return StandsIn(self.store, settings, focus_by_itself=settings.name in self.focus_by_itself)

    def start(
        self,
        camera: Camera,
        name: str,
        speed: int | None,
        seconds: float | None,
        *,
        exactly: bool = False,
        on_air: bool,
        seen: bool = False,
        id: str | None,
        token: object,
    ) -> None:
        """Start a move to a position; the first packet leaves in this call. Every phase is reported, a refusal too.

        With neither `speed` (pan step 1..24) nor `seconds` it goes at the pace that was stored. A time that can't be
        had from where the camera stands becomes the nearest, with a warning; with `exactly`, `seconds` is refused.
        """
        try:
            recall = self._recall(camera, name, speed, seconds)
            exactly = exactly and seconds is not None
            camera.recall(replace(recall, exactly=exactly, on_air=on_air, seen=seen, id=id, token=token))
        except Refusal as refusal:
            camera.refuse(name, id, token, refusal)

    def foreseen(self, camera: Camera, name: str, speed: int | None, seconds: float | None) -> Refusal | None:
        """Return what would keep a move to a position from being made on air now, or None."""
        try:
            camera.require_possible(self._recall(camera, name, speed, seconds))
        except Refusal as refusal:
            return refusal
        return None

    def foretold(self, camera: Camera, name: str, speed: int | None, seconds: float | None) -> MovePlan:
        """Return the move that a recall would start now, with the consent to move on air. Raises Refusal."""
        return camera.foresee(replace(self._recall(camera, name, speed, seconds), exactly=seconds is not None))

    def _recall(self, camera: Camera, name: str, speed: int | None, seconds: float | None) -> Recall:
        """The recall as it would be on air, asked for by nobody. Raises Refusal."""
        settings = camera.settings
        try:
            position = self.store.known(settings.name, name)
        except Refusal as refusal:
            raise Refusal("unknown-position", refusal.sentence) from None
        try:
            framing = position.framing_for(settings.dialect)
        except DialectError as error:
            code = "other-scales" if isinstance(error, ScalesError) else "unknown-dialect"
            raise Refusal(code, f"camera {settings.name} can't be sent to {name}: {error}") from None
        if settings.name in self.focus_by_itself:
            framing = replace(framing, focus_mode="auto")
        if speed is None and seconds is None:
            speed, seconds = position.speed, position.seconds
        memory = self._memory(settings, position)
        if memory is not None and settings.memories is not None and not settings.memories.speed:
            if speed is None and seconds is None:
                speed = settings.head.pan.fastest_step  # of its own; nobody can choose it
            else:
                memory = None
        return Recall(name, framing, speed, seconds, on_air=True, memory=memory)

    def _memory(self, settings: CameraSettings, position: StoredPosition) -> int | None:
        """Return which of the camera's own memories holds a position, where it is recalled by them."""
        if settings.memories is None or settings.name in self.focus_by_itself:
            return None
        held, wanted = self.store.memories(settings.name), content_of(position)
        return next((number for number, content in held.items() if content == wanted), None)


@dataclass(eq=False, frozen=True)
class StandsIn:
    """Tells which stored position a framing is."""

    store: PositionStore
    settings: CameraSettings
    focus_by_itself: bool  # the stored focus is left alone, and so tells nothing

    def __call__(self, framing: Framing) -> str | None:
        positions = self.store.positions(self.settings.name)
        return next((name for name, position in positions.items() if self._is_in(framing, position)), None)

    def position(self, framing: Framing, name: str) -> bool:
        """Whether a framing is this position, which may have a double of another name."""
        position = self.store.position(self.settings.name, name)
        return position is not None and self._is_in(framing, position)

    def _is_in(self, framing: Framing, position: StoredPosition) -> bool:
        settings = self.settings
        try:
            wanted = position.framing_for(settings.dialect)
        except DialectError:
            return False
        if abs(framing.pan_counts - wanted.pan_counts) > settings.tolerance.pan_counts:
            return False  # most of them: no need to look closer
        if self.focus_by_itself:
            wanted = replace(wanted, focus_mode="auto")
        elif framing.focus_mode != wanted.focus_mode:
            return False
        return settings.tolerance.holds(landing(settings.dialect, framing, wanted))
