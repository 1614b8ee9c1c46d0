"""For how long a camera may move without an end of its own, said to its guard again and again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from ptzd.guard import Guard

TERM_SECONDS = 0.4  # for which an order without an end of its own may run on; then the guard stops the camera
LEAST_TERM_SECONDS = 0.2  # twice as long as from one renewal to the next
RENEWAL_SECONDS = 0.1


@dataclass(eq=False)
class Term:
    """Renews one camera's term with its guard for as long as that may be moving without an end of its own."""

    guard: Guard
    camera: str
    unended: Callable[[], bool]  # whether it may be
    seconds: Callable[[], float]  # for how long it may go on should nothing run here any more
    unguarded: Callable[[], None]  # called when the guard has gone meanwhile
    stalled: Callable[[float], None]  # called when nothing ran here for too long
    _loop: asyncio.AbstractEventLoop = field(default_factory=asyncio.get_running_loop)
    _timer: asyncio.TimerHandle | None = None
    _over_at: float = 0.0

    def begin(self) -> None:
        """Renew it now, ahead of the order that needs it, and go on with that."""
        term = self.seconds()
        self.guard.renew(self.camera, term)
        self._over_at = self._loop.time() + term
        if self._timer is None:
            self._timer = self._loop.call_later(RENEWAL_SECONDS, self._renew)

    def end(self) -> None:
        """Renew it no more: whoever still may be moving is the guard's from now on."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _renew(self) -> None:
        self._timer = None
        if not self.unended():
            self.guard.renew(self.camera, 0.0)
            return
        late = self._loop.time() - self._over_at
        self.begin()
        if late > 0.0:  # the guard has begun to stop the camera
            self.stalled(late + TERM_SECONDS)
        elif not self.guard.watches:
            self.unguarded()
