"""A simulated camera on the end of a short wire: one timer a reply, so that hours pass in seconds."""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable

from ptzsim import SimulatedCamera

from ptzd.links import Form

DELAY_SECONDS = 0.001  # each way, as on a switch of one's own


class WireEnd:
    """One controller's end, a `ptzd.links.Link`: what comes back to it is what the camera answers to it."""

    trouble: str | None = None

    def __init__(self, wire: Wire) -> None:
        self.form: Form = wire.form
        self._wire = wire
        self._received: deque[bytes] = deque()
        self._waiter: asyncio.Future[None] | None = None
        self._cut = False

    @property
    def quiet(self) -> bool:
        """Whether nothing has arrived that was not fetched."""
        return not self._received

    def send(self, datagram: bytes) -> None:
        if not self._cut:
            self._wire.carry(datagram, self)

    def overtake(self) -> None:
        """Whatever was sent has left."""

    async def receive(self) -> bytes:
        while not self._received:
            self._waiter = asyncio.get_running_loop().create_future()
            await self._waiter
        return self._received.popleft()

    def cut(self) -> None:
        """Carry nothing more in either direction: whoever held this end is gone."""
        self._cut = True
        self._received.clear()

    def arrive(self, datagrams: list[bytes]) -> None:
        """Take in what has arrived just now."""
        if self._cut:
            return
        self._received += datagrams
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_result(None)


class Wire:
    """What one end sends reaches the camera after the delay; so do the replies."""

    def __init__(self, camera: SimulatedCamera, form: Form = "numbered") -> None:
        """Needs a running event loop. On a stream nothing gets lost."""
        self.camera = camera
        self.form: Form = form
        self.datagrams = 0  # both ways
        self.loses: Callable[[], bool] = lambda: False  # whether the next one gets lost
        self.late_seconds: Callable[[], float] = lambda: 0.0  # by how much the next one is late: others overtake it
        self._late = 0  # how many are still under way
        self._ends: list[WireEnd] = []
        self._loop = asyncio.get_running_loop()
        self._timer: asyncio.TimerHandle | None = None
        self._due_at = 0.0  # by the camera's clock, when the timer rings

    @property
    def quiet(self) -> bool:
        """Whether nothing is under way: no datagram, and no motor that will report its end."""
        return self._timer is None and not self._late and all(end.quiet for end in self._ends)

    def end(self) -> WireEnd:
        """Return an end of its own for one controller."""
        self._ends.append(end := WireEnd(self))
        return end

    def carry(self, datagram: bytes, end: WireEnd) -> None:
        """Take a datagram from an end to the camera."""
        self.datagrams += 1
        if not self._lost_or_late(datagram, end, self._give):
            self._give(datagram, end)

    def _lost_or_late(self, datagram: bytes, end: WireEnd, then: Callable[[bytes, WireEnd], None]) -> bool:
        """Whether a datagram does not arrive now: never, or later, by `then`. On a stream each does."""
        if self.form == "stream":
            return False
        if self.loses():
            return True
        late = self.late_seconds()
        if late:
            self._late += 1
            self._loop.call_later(late, self._came_late, datagram, end, then)
        return late > 0.0

    def _give(self, datagram: bytes, end: WireEnd) -> None:
        self.camera.receive(datagram, end, self._loop.time() + DELAY_SECONDS, bare=self.form != "numbered")
        self._wind()

    def _came_late(self, datagram: bytes, end: WireEnd, then: Callable[[bytes, WireEnd], None]) -> None:
        self._late -= 1
        then(datagram, end)

    def close(self) -> None:
        """Carry nothing more."""
        if self._timer is not None:
            self._timer.cancel()

    def _wind(self) -> None:
        due = self.camera.next_due()
        if self._timer is not None:
            if due == self._due_at:
                return
            self._timer.cancel()
        self._timer = None
        if due is not None:
            self._due_at = due
            self._timer = self._loop.call_at(due + DELAY_SECONDS, self._ring)

    def _ring(self) -> None:
        self._timer = None
        arrived: dict[WireEnd, list[bytes]] = {}
        for end, datagram in self.camera.due(self._due_at):
            assert isinstance(end, WireEnd)
            self.datagrams += 1
            if not self._lost_or_late(datagram, end, lambda data, end: end.arrive([data])):
                arrived.setdefault(end, []).append(datagram)
        for end, datagrams in arrived.items():
            end.arrive(datagrams)
        self._wind()
