"""From a stored position to a move of the head that stands there now."""

from __future__ import annotations

from collections.abc import Set
from dataclasses import replace

from ptzd.cameras import Camera, CameraSettings, Framing, Recall, landing
from ptzd.positions import PositionStore
from ptzd.refusal import Refusal
from ptzd.visca import DialectError, ScalesError

from .advice import unknown


class Recalls:
    """Starts moves to stored positions, for whoever asks: a message or a cue."""

    def __init__(self, store: PositionStore, focus_by_itself: Set[str]) -> None:
        """`focus_by_itself` names cameras whose stored focus is left alone."""
        self._store = store
        self._focus_by_itself = focus_by_itself

    def start(
        self,
        camera: Camera,
        name: str,
        speed: int | None,
        seconds: float | None,
        *,
        on_air: bool,
        id: str | None,
        token: object,
    ) -> None:
        """Start a move to a position; the first packet leaves in this call. Every phase is reported, a refusal too.

        With neither `speed` (pan step 1..24) nor `seconds` it goes at the pace that was stored.
        """
        settings = camera.settings
        position = self._store.position(settings.name, name)
        if position is None:
            known = self._store.positions(settings.name)
            camera.refuse(name, id, token, Refusal("unknown-position", unknown("position", name, known)))
            return
        try:
            framing = position.framing_for(settings.dialect)
        except DialectError as error:
            code = "other-scales" if isinstance(error, ScalesError) else "unknown-dialect"
            camera.refuse(name, id, token, Refusal(code, f"position {name}: {error}"))
            return
        if settings.name in self._focus_by_itself:
            framing = replace(framing, focus_mode="auto")
        if speed is None and seconds is None:
            speed, seconds = position.speed, position.seconds
        camera.recall(Recall(name, framing, speed, seconds, on_air, id, token))


class StandsIn:
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
