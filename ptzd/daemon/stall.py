"""Noticing that the event loop stood still: the process was frozen, the machine asleep, or something held it up.

Theory of operation. Whatever shows that the loop runs, a beat ten times a second and every message, looks at a clock
that goes on while the machine sleeps. A gap is a stall, noticed by whoever looks first; at the thaw that may be a
message, since sockets are read before timers run. What comes right after has waited through the stall, until nothing
has come for a moment.
"""

from __future__ import annotations

from collections.abc import Callable

BEAT_SECONDS = 0.1
STALL_SECONDS = 0.5
QUIET_SECONDS = 0.1  # no message for so long: what had piled up is worked off
PILED_UP_SECONDS = 1.0  # at most, or somebody who drives by hand all the time would never be heard again


class Stall:
    """Watches one event loop. `clock` is in seconds and goes on while the machine sleeps (CLOCK_BOOTTIME)."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._seen_at = clock()
        self._piled_up_until: float | None = None
        self._last_message_at = self._seen_at

    def noticed(self) -> float:
        """Return the seconds for which the loop stood still until just now, or 0 where it did not."""
        now = self._clock()
        gap, self._seen_at = now - self._seen_at, now
        if gap <= STALL_SECONDS:
            return 0.0
        self._piled_up_until = now + PILED_UP_SECONDS
        self._last_message_at = now
        return gap

    def message_waited(self) -> bool:
        """Whether a message that is handled now may have waited through a stall. To be asked once for each message."""
        if self._piled_up_until is None:
            return False
        now = self._clock()
        if now > self._piled_up_until or now - self._last_message_at > QUIET_SECONDS:
            self._piled_up_until = None
            return False
        self._last_message_at = now
        return True
