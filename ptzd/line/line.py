"""One conversation over one link: what is said in VISCA becomes something to await.

`Conversation` knows the protocol but no clock and no socket; `Link` carries bytes but knows no protocol. A
`Line` joins them on the running event loop. Whoever sends gets a future at once; a sender that stops waiting
disturbs nobody else.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

from ptzd.links import LOST, Form, Link
from ptzd.visca import (
    Acknowledged,
    Answered,
    Bare,
    Command,
    Completed,
    Conversation,
    Desynchronised,
    Dialect,
    ErrorCode,
    Event,
    FocusStop,
    Ignored,
    Inquiry,
    Interrupted,
    Linked,
    Overdue,
    OverIp,
    PacketFraming,
    PanTiltStop,
    PerformedUnheard,
    Refused,
    Timing,
    Unanswered,
    ZoomStop,
)

T = TypeVar("T")
_FRAMINGS: dict[Form, Callable[[], PacketFraming]] = {
    "numbered": OverIp,
    "stream": partial(Bare, stream=True),
    "datagrams": partial(Bare, stream=False),
}
HALT: tuple[Command, ...] = (PanTiltStop(), ZoomStop(), FocusStop())  # whatever moves in a camera
Ending = Completed | Refused | Interrupted | Overdue | Unanswered


class LineDown(Exception):
    """The camera answered none of the repeats."""


class PushedAside(Exception):
    """A command that could not wait took the inquiry's place; ask again."""


class InquiryRefused(Exception):
    """The camera refused an inquiry, as cameras do with questions that they do not know."""

    def __init__(self, code: ErrorCode, inquiry: Inquiry[Any]) -> None:
        self.code = code
        self.what = f"refuses to tell {inquiry.asks} (error {code:02X}, {code.name.lower().replace('_', ' ')})"
        super().__init__(f"the camera {self.what}")


@dataclass(slots=True)
class Exchange:
    """One command on its way. `begun` is done at its ACK (or its ending), `ended` holds how it ended."""

    begun: asyncio.Future[None]
    ended: asyncio.Future[Ending]


@dataclass(slots=True)
class _Pending:
    exchange: Exchange | None = None
    inquiry: Inquiry[Any] | None = None
    answer: asyncio.Future[Any] | None = None


class Line:
    """A conversation that runs. Everything but `run` returns at once."""

    def __init__(
        self,
        link: Link,
        dialect: Dialect,
        *,
        on_restart: Callable[[], None],
        on_lost: Callable[[], None] = lambda: None,
        timing: Timing | None = None,
    ) -> None:
        """`on_restart` is called when the camera lost count: it restarted, or somebody else speaks to it.

        `on_lost` is called, after that, when the connection has ended or is another one.
        """
        self._link = link
        self._conversation = Conversation(dialect, timing, _FRAMINGS[link.form]())
        self._on_restart = on_restart
        self._on_lost = on_lost
        self._pending: dict[int, _Pending] = {}
        self._timer: asyncio.TimerHandle | None = None
        self._timer_at: float | None = None
        self.interruptions = 0  # so far; who remembers the figure can tell whether somebody else has taken over
        self._loop = asyncio.get_running_loop()

    async def run(self) -> None:
        """Carry datagrams until cancelled."""
        try:
            while True:
                datagram = await self._link.receive()
                if datagram == LOST:
                    self.begin_anew()
                    self._on_lost()
                else:
                    self._heard(self._conversation.receive(datagram, self._loop.time()))
        finally:
            if self._timer is not None:
                self._timer.cancel()
            self._timer = self._timer_at = None

    def restart(self) -> None:
        """Begin the conversation anew with a RESET; whatever was pending ends as unanswered."""
        self._conversation.start(self._loop.time())
        self._flush()

    def begin_anew(self) -> None:
        """Begin on another connection: what was said on the one before has no answer any more."""
        self._conversation.lose(self._loop.time())
        self._flush()
        self._on_restart()

    def overheard(self) -> None:
        """Begin anew where somebody else has spoken on the same connection: without numbers, his replies look alike."""
        if self._link.form != "numbered":
            self.begin_anew()

    def perform(self, command: Command, completion_seconds: float) -> Exchange:
        """Send a command after all that is queued. Its completion is overdue after `completion_seconds`."""
        ticket = self._conversation.send(command, self._loop.time(), completion_seconds=completion_seconds)
        exchange = self._expect(ticket)
        self._flush()
        return exchange

    def interrupt(self, commands: Sequence[Command], completion_seconds: float) -> list[Exchange]:
        """Send commands ahead of all else, now, and cancel what the camera is doing."""
        self.interruptions += 1
        tickets = self._conversation.interrupt(commands, self._loop.time(), completion_seconds=completion_seconds)
        self._link.overtake()
        exchanges = [self._expect(ticket) for ticket in tickets]
        self._flush()
        return exchanges

    async def ask(self, inquiry: Inquiry[T]) -> T:
        """Return what the camera answers. Raises `LineDown`, `PushedAside` or `InquiryRefused`."""
        ticket = self._conversation.send(inquiry, self._loop.time())
        future: asyncio.Future[T] = self._loop.create_future()
        self._pending[ticket] = _Pending(inquiry=inquiry, answer=future)
        self._flush()
        return await future

    @property
    def trouble(self) -> str | None:
        """Why nothing can pass, in words, where the link knows."""
        return self._link.trouble

    @property
    def repeat_seconds(self) -> float:
        """After how long a command that interrupts is repeated where no reply has come, as things stand now."""
        return self._conversation.repeat_seconds

    def _expect(self, ticket: int) -> Exchange:
        exchange = Exchange(self._loop.create_future(), self._loop.create_future())
        self._pending[ticket] = _Pending(exchange=exchange)
        return exchange

    def _flush(self) -> None:
        for datagram in self._conversation.datagrams():
            self._link.send(datagram)
        deadline = self._conversation.deadline()
        # A timer that fires too early only looks and sets itself anew: cheaper than moving it with every packet.
        if deadline is None or (self._timer_at is not None and self._timer_at <= deadline):
            return
        if self._timer is not None:
            self._timer.cancel()
        self._timer_at = deadline
        self._timer = self._loop.call_at(deadline, self._tick)

    def _tick(self) -> None:
        # The loop may ring a clock resolution early: what was promised for now is due now, or this would go on and on.
        now = max(self._loop.time(), self._timer_at or 0.0)
        self._timer = self._timer_at = None
        self._heard(self._conversation.tick(now))

    def _heard(self, events: Sequence[Event]) -> None:
        restarted = False
        for event in events:
            match event:
                case Answered(ticket=ticket, value=value):
                    pending = self._pending.pop(ticket, None)
                    if pending is not None and pending.answer is not None and not pending.answer.done():
                        pending.answer.set_result(value)
                case Acknowledged(ticket=ticket) | PerformedUnheard(ticket=ticket):
                    self._begin(ticket)
                case Completed() | Refused() | Interrupted() | Overdue() | Unanswered():
                    self._end(event.ticket, event)
                case Desynchronised():
                    restarted = True
                case Linked() | Ignored():
                    pass
        self._flush()
        if restarted:
            self._on_restart()

    def _begin(self, ticket: int) -> None:
        pending = self._pending.get(ticket)
        if pending is not None and pending.exchange is not None and not pending.exchange.begun.done():
            pending.exchange.begun.set_result(None)

    def _end(self, ticket: int, ending: Ending) -> None:
        self._begin(ticket)
        pending = self._pending.pop(ticket, None)
        if pending is None:
            return
        if pending.exchange is not None and not pending.exchange.ended.done():
            pending.exchange.ended.set_result(ending)
        if pending.answer is not None and not pending.answer.done():
            if isinstance(ending, Refused) and pending.inquiry is not None:
                pending.answer.set_exception(InquiryRefused(ending.code, pending.inquiry))
            else:
                down = isinstance(ending, Unanswered)
                pending.answer.set_exception(LineDown() if down else PushedAside())
