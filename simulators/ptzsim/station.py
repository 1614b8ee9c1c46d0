"""One simulated camera on the running event loop: datagrams in, and what is due goes out when it is due."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Hashable

from .camera import SimulatedCamera


class Station:
    """Gives a camera a clock. Between datagrams and moves it sets no timer, so an idle camera costs nothing."""

    def __init__(self, camera: SimulatedCamera, send: Callable[[Hashable, bytes], None], *, bare: bool = False) -> None:
        """`send(peer, datagram)` takes whatever leaves; on a `bare` link messages have no header."""
        self._camera = camera
        self._bare = bare
        self._send = send
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None

    def heard(self, datagram: bytes, peer: Hashable) -> None:
        """Hand the camera one datagram from `peer`."""
        self._camera.receive(datagram, peer, self._loop.time(), bare=self._bare)
        self._wind()

    def gone(self, peer: Hashable) -> None:
        """Answer nothing more to a peer."""
        self._camera.forget(peer)

    def close(self) -> None:
        """Send nothing more."""
        if self._timer is not None:
            self._timer.cancel()

    def _wind(self) -> None:
        due = self._camera.next_due()
        if self._timer is not None:
            if due == self._timer.when():
                return
            self._timer.cancel()
        self._timer = None if due is None else self._loop.call_at(due, self._ring)

    def _ring(self) -> None:
        self._timer = None
        # The loop may ring a clock resolution early, so what was promised for now is due now.
        now = max(self._loop.time(), self._camera.next_due() or 0.0)
        for peer, datagram in self._camera.due(now):
            self._send(peer, datagram)
        self._wind()
