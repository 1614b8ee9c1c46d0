"""Where a camera was meant to be before it lost its power, so that somebody can be asked whether to bring it back.

Nothing is ever sent for it unasked: a head that has just found its ends may have somebody's hands at it.
"""

from __future__ import annotations

from ptzd.line import Framing, landing

from .settings import CameraSettings


class Meant:
    """What one camera was last sent to, or seen to stand in, until somebody orders something else."""

    def __init__(self, settings: CameraSettings) -> None:
        self._settings = settings
        self._framing: Framing | None = None
        self._lost = False

    @property
    def left(self) -> Framing | None:
        """The framing that it has lost, and stands no more in; None where it has lost none."""
        return self._framing if self._lost else None

    def ordered(self, framing: Framing | None) -> None:
        """It was sent somewhere, or (None) is moved to where nobody knows yet."""
        self._framing, self._lost = framing, False

    def lost(self) -> None:
        """It restarted, is off or silent: it may stand elsewhere when it is back."""
        self._lost = self._framing is not None

    def rests(self, framing: Framing) -> None:
        """It stands still there, by its own readings, and is on."""
        if not self._lost:
            self._framing = framing
        elif self._framing is not None:
            landed = landing(self._settings.dialect, framing, self._framing)
            self._lost = not self._settings.tolerance.holds(landed)
