"""When what was not answered is repeated."""

from __future__ import annotations

from dataclasses import dataclass

GRANULARITY_SECONDS = 0.01  # of what is measured, which is no exacter: G of RFC 6298, section 2


@dataclass(frozen=True, slots=True)
class Timing:
    """When to repeat, and how often. The published documents give no figures (common practice)."""

    first_repeat_seconds: float = 0.1  # doubled with each repeat
    longest_repeat_seconds: float = 0.25
    attempts: int = 13  # the first sending included: the last is given up 2.6 to 3.1 s after the first
    urgent_attempts: int = 26  # given up as late, since they come at even intervals
    soonest_repeat_seconds: float = 0.02  # to a camera that is known to reply in less

    def pause(self, earlier: int, expected_seconds: float | None = None, *, urgent: bool = False) -> float:
        """Return how many seconds to wait for a reply after so many earlier attempts.

        Repeats come sooner or later where it is known within how many seconds a reply is to be expected, and where what
        is to be said is urgent, they come at even intervals.
        """
        first = self.first_repeat_seconds
        if expected_seconds is not None:
            first = min(max(self.soonest_repeat_seconds, expected_seconds), self.longest_repeat_seconds)
        if urgent:
            # The first refusal must be heard before a repeat leaves: a camera that lost count is then reset at once.
            return max(first, self.first_repeat_seconds)
        return min(first * 2.0 ** min(earlier, 32), self.longest_repeat_seconds)


class ReplyTimes:
    """Within how many seconds a reply is to be expected: RFC 6298, "Computing TCP's Retransmission Timer".

    Only replies to what was sent once count, since nobody knows which sending another one answers (Karn's algorithm,
    section 3 there).
    """

    def __init__(self) -> None:
        self._deviation = 0.0
        self.forget()

    def forget(self) -> None:
        """Measure anew: it may be another camera, or another way to it."""
        self._mean: float | None = None
        self.expected_seconds: float | None = None  # None before the first reply

    @property
    def measured_seconds(self) -> float | None:
        """The same by replies alone, whatever was repeated since; None before the first that counts."""
        return None if self._mean is None else self._mean + max(4.0 * self._deviation, GRANULARITY_SECONDS)

    def back_off(self, waited_seconds: float) -> None:
        """Take in that something was repeated after so long: it was lost, or replies come later than they did (5.5)."""
        self.expected_seconds = 2.0 * waited_seconds

    def heard_after(self, seconds: float) -> None:
        """Take in how long one reply took."""
        if self._mean is None:
            self._mean, self._deviation = seconds, seconds / 2.0
        else:
            self._deviation += (abs(seconds - self._mean) - self._deviation) / 4.0
            self._mean += (seconds - self._mean) / 8.0
        self.expected_seconds = self.measured_seconds
