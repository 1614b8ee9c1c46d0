"""The camera's side of the sequence numbers (SRG-300H technical manual, chapter "VISCA over IP").

One counter per camera, whoever asks: a second controller that counts for itself is out of step at once.

| the number that comes | and the last message was | it means |
|---|---|---|
| the last one + 1 | anything | a new message: perform it |
| the last one | refused with an error | a repeat of what was not performed: look at it again |
| the last one | performed | a repeat of what was performed: abnormality in the sequence number |
| any other | anything | a stranger, or one that was not told of a restart: the same abnormality |

After RESET the number is 0; the next is 1, and 0 itself is taken too.

Units that do not look at numbers take whatever comes, as often as it comes.
"""

from __future__ import annotations

from typing import Literal

Numbers = Literal["next", "any"]
LARGEST = 0xFFFFFFFF


class SequenceNumbers:
    """Judges whether a number may come now."""

    def __init__(self, taken: Numbers = "next") -> None:
        self._taken = taken
        self._last = 0
        self._performed = False  # the number 0 itself has not been used yet

    def reset(self) -> None:
        """Begin anew, as RESET and a restart do."""
        self._last = 0
        self._performed = False

    def expected(self, number: int) -> bool:
        """Whether a message of this number is to be looked at; otherwise its number is abnormal."""
        if self._taken == "any":
            return True
        if number == self._last:
            return not self._performed
        return number == (self._last + 1) & LARGEST

    def note(self, number: int, *, performed: bool) -> None:
        """Keep how the message of this number, one that was expected, went."""
        self._last = number
        self._performed = performed
