"""When a camera looks at a message: that wanders, since its processor has a picture to attend to."""

from __future__ import annotations

import math
import random


class Latency:
    """Between `least` and `most` seconds, each time a little different from the last.

    With `picture_seconds` above 0 it waits for the next picture then, one of which begins that often.
    """

    def __init__(self, least: float, most: float, picture_seconds: float, rng: random.Random) -> None:
        self._least = least
        self._most = most
        self._picture = picture_seconds
        self._rng = rng
        self._level = rng.random()

    def after(self, now: float) -> float:
        """When the next message is looked at that comes in, or comes to its end, now."""
        self._level = min(1.0, max(0.0, self._level + self._rng.uniform(-0.25, 0.25)))
        at = now + self._least + (self._most - self._least) * self._level
        return at if not self._picture else math.ceil(at / self._picture) * self._picture
