"""What the configuration says of one camera, as the camera itself needs it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ptzd.motion import HeadModel, Lens, Sensor
from ptzd.visca import Dialect

from .framing import Tolerance

OnAirMoves = Literal["ask", "allow", "refuse"]


@dataclass(frozen=True, slots=True)
class Optics:
    """What the picture is made with; known only where the configuration tells sensor and focal lengths."""

    sensor: Sensor
    lens: Lens
    frame_rate: float  # pictures a second


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Fixed for as long as the daemon runs, but for the head's model, which may be learned anew."""

    name: str
    dialect: Dialect
    head: HeadModel
    speed: int  # pan step 1..24 of a recall that names none
    tolerance: Tolerance
    on_air_moves: OnAirMoves = "ask"
    on_air_speed: int = 12  # pan step of a recall on air that names none: half the range (common practice)
    optics: Optics | None = None
