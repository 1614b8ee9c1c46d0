"""What a camera stands or hangs on, and how it swings after the head has stopped.

The swing is A·exp(−ζωt)·cos(ω√(1−ζ²)·t), t seconds after the stop. How far it swings follows from how it was
stopped: a long deceleration a bends the mount by a/ω², a short one that takes away the speed v by v/ω, and
`coupling` says how much of that reaches the camera.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from .axis import Stop


@dataclass(frozen=True, slots=True)
class Mount:
    """One kind of mount. Its figures are assumed, but in the right order: a rail swings slower and longer."""

    name: str
    frequency_hz: float
    damping: float  # ζ, 0..1
    coupling: float  # 0..1

    def swing_deg(self, stop: Stop | None, now: float) -> float:
        """How far the picture is off from where the motor holds the head, in degrees."""
        if stop is None or now < stop.at:
            return 0.0
        pace = 2 * math.pi * self.frequency_hz
        seconds = now - stop.at
        reach = self.coupling * min(stop.deceleration / pace**2, stop.speed / pace)
        fading = math.exp(-self.damping * pace * seconds)
        return stop.direction * reach * fading * math.cos(pace * math.sqrt(1 - self.damping**2) * seconds)


MOUNTS = {
    mount.name: mount
    for mount in (
        Mount("tripod", frequency_hz=6.0, damping=0.25, coupling=0.3),
        Mount("balcony-rail", frequency_hz=2.2, damping=0.12, coupling=0.15),
        Mount("truss", frequency_hz=1.2, damping=0.10, coupling=0.08),
    )
}


def draw_mount(rng: random.Random) -> Mount:
    """Make up a mount: what heads are hung on swings at 0.8 to 3 Hz (common practice)."""
    return Mount(
        "made-up", frequency_hz=rng.uniform(0.8, 3.0), damping=rng.uniform(0.06, 0.25), coupling=rng.uniform(0.03, 0.15)
    )


def mount_named(name: str) -> Mount:
    """Return the mount of that name. Raises ValueError with a sentence naming those that exist."""
    try:
        return MOUNTS[name]
    except KeyError:
        raise ValueError(f"there is no mount {name!r}: take one of {', '.join(MOUNTS)}") from None
