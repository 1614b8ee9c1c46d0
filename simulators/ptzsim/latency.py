"""How long a camera takes over a message: it wanders, since its processor has a picture to attend to."""

from __future__ import annotations

import random


class Latency:
    """Seconds between `least` and `most`, each time a little different from the last."""

    def __init__(self, least: float, most: float, rng: random.Random) -> None:
        self._least = least
        self._most = most
        self._rng = rng
        self._level = rng.random()

    def draw(self) -> float:
        """Seconds for the next message."""
        self._level = min(1.0, max(0.0, self._level + self._rng.uniform(-0.25, 0.25)))
        return self._least + (self._most - self._least) * self._level
