"""For how long a camera may move without an end of its own, said to its guard again and again."""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from ptzd.guard import Guard

TERM_SECONDS = 0.4  # for which an order without an end of its own may run on; then the guard stops the camera
LEAST_TERM_SECONDS = 0.2  # twice as long as from one renewal to the next
RENEWAL_SECONDS = 0.1


class Term:
    """Renews one camera's term with its guard for as long as that may be moving without an end of its own."""

    def __init__(
        self,
        guard: Guard,
        camera: str,
        *,
        unended: Callable[[], bool],
        seconds: Callable[[], float],
        unguarded: Callable[[], None],
        stalled: Callable[[float], None],
    ) -> None:
        """`unended` tells whether it may be, `seconds` for how long it may go on should nothing run here any more.

        `unguarded` is called when the guard has gone meanwhile, `stalled` when nothing ran here for too long."""
        self._guard = guard
        self._camera = camera
        self._unended = unended
        self._seconds = seconds
        self._unguarded = unguarded
        self._stalled = stalled
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None
        self._over_at = 0.0

    def begin(self) -> None:
        """Renew it now, ahead of the order that needs it, and go on with that."""
        term = self._seconds()
        self._guard.renew(self._camera, term)
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
        if not self._unended():
            self._guard.renew(self._camera, 0.0)
            return
        late = self._loop.time() - self._over_at
        self.begin()
        if late > 0.0:  # the guard has begun to stop the camera
            self._stalled(late + TERM_SECONDS)
        elif not self._guard.watches:
            self._unguarded()
