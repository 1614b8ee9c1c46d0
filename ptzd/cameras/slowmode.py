"""Whether a camera's slow mode is on, as far as is known, and the orders that turn it on and off.

Nobody can ask a camera: no such question is published. So what is known comes from orders alone, and only those that
the camera said it had performed count. After connecting, after a restart and after an order whose end was not heard it
is unknown; then, as when it is on, the order to turn it off goes ahead of whatever is meant for the usual steps. A
camera that missed that order refuses the number of the next, so that none can be performed without the one before it.

On a head without slow mode it is off, and nothing is ever sent.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from typing import Literal

from ptzd.line import Ending, Exchange, Line, LineDown, PushedAside
from ptzd.visca import (
    Command,
    Completed,
    Dialect,
    ErrorCode,
    Interrupted,
    Refused,
    SlowModeOff,
    SlowModeOn,
    Unanswered,
)

SlowState = Literal["off", "on", "unknown"]

COMPLETION_SECONDS = 1.0
ACCEPTED_SECONDS = 0.1  # after its ACK, an order to turn it on that was not refused by then has been performed
TRIES = 3


class SlowModeRefused(Exception):
    """The camera did not take an order to turn its slow mode on or off."""


class SlowModeSwitch:
    """What one camera's slow mode is known to be. `state` is "off", "on" or "unknown"."""

    def __init__(self, line: Line, dialect: Dialect) -> None:
        self._line = line
        self.exists = dialect.slow_mode
        self.state: SlowState = "unknown" if dialect.slow_mode else "off"
        self.left_on = False  # it was turned on from here, and the camera has not said yet that it is off again
        self._latest: Exchange | None = None  # the latest order: only that one tells how it stands
        self._turning_off = False  # the latest order is to turn it off

    def forget(self) -> None:
        """Take note that the camera restarted or fell silent: nobody knows any more."""
        if self.exists:
            self.state = "unknown"

    def interrupt(self, commands: Sequence[Command], completion_seconds: float) -> list[Exchange]:
        """Send commands for the usual steps ahead of all else, now; return their exchanges."""
        if self.state == "off":
            return self._line.interrupt(commands, completion_seconds)
        off, *exchanges = self._line.interrupt([SlowModeOff(), *commands], completion_seconds)
        self._sent(off, "off")
        return exchanges

    def turn_off(self) -> Exchange | None:
        """Send the order to turn it off after all that is queued; return it, or None where it is known to be off."""
        if self.state == "off":
            return None
        if self._latest is not None and self._turning_off and not self._latest.ended.done():
            return self._latest
        exchange = self._line.perform(SlowModeOff(), COMPLETION_SECONDS)
        self._sent(exchange, "off")
        return exchange

    async def off(self) -> None:
        """Have it off, and know so. Raises SlowModeRefused, LineDown, and PushedAside where a newer order came."""
        for _ in range(TRIES):
            exchange = self.turn_off()
            if exchange is None:
                return
            ending = await exchange.ended
            if self.exists:
                _require_taken(ending)
        if self.state != "off":
            raise SlowModeRefused("the camera does not say whether its slow mode is off")

    async def on(self) -> None:
        """Have it on, and know so. Raises SlowModeRefused, LineDown, and PushedAside where a newer order came."""
        if not self.exists:
            raise SlowModeRefused("the camera knows no slow mode")
        exchange = self._line.perform(SlowModeOn(), COMPLETION_SECONDS)
        self.state, self.left_on = "unknown", True
        self._sent(exchange, "on")
        await exchange.begun
        await asyncio.wait([exchange.ended], timeout=ACCEPTED_SECONDS)
        if exchange.ended.done():
            _require_taken(exchange.ended.result())
        if self._latest is not exchange:
            raise PushedAside
        self.state = "on"

    def _sent(self, exchange: Exchange, then: SlowState) -> None:
        self._latest, self._turning_off = exchange, then == "off"

        def ended(future: asyncio.Future[Ending]) -> None:
            if future.cancelled() or self._latest is not exchange:
                return
            match future.result():
                case Completed():
                    self.state, self.left_on = then, then == "on"
                case Refused(code=ErrorCode.SYNTAX):  # a head of the same family that has none
                    self.exists, self.state, self.left_on = False, "off", False
                case _:
                    pass

        exchange.ended.add_done_callback(ended)


def _require_taken(ending: Ending) -> None:
    match ending:
        case Refused(code=code):
            reason = code.name.lower().replace("_", " ")
            raise SlowModeRefused(f"the camera refused to change its slow mode ({reason})")
        case Unanswered():
            raise LineDown
        case Interrupted():
            raise PushedAside
        case _:
            pass
