"""Who stops a head that nobody controls any more: what is asked of a guard, whoever that is."""

from __future__ import annotations

from typing import Protocol


class Guard(Protocol):
    """Stops a camera that may be moving without an end of its own, once nobody renews that.

    An order such as a drive runs on until the next one. So whoever gives it says, again and again, until when the
    camera may be moving; a guard that hears no more of it in time stops the camera by itself until it stands still.
    """

    @property
    def watches(self) -> bool:
        """Whether it is there: without it, no order may be given that does not end by itself."""

    def renew(self, camera: str, seconds: float) -> None:
        """Let a camera move for so many seconds from now; 0 says that it does nothing any more that needs an end.

        Returns at once and never raises.
        """


class Guardian(Guard, Protocol):
    """A guard that can also be told to halt a camera itself."""

    def halt(self, camera: str, why: str) -> None:
        """Halt a camera until it stands still, even after the daemon has ended. Returns at once and never raises."""
