"""What the configuration says of one camera, as the camera itself needs it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from ptzd.motion import HeadModel
from ptzd.visca import Dialect

from .framing import Tolerance

OnAirMoves = Literal["ask", "allow", "refuse"]


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Fixed for as long as the daemon runs."""

    name: str
    dialect: Dialect
    head: HeadModel
    speed: int  # pan step 1..24 of a recall that names none
    tolerance: Tolerance
    on_air_moves: OnAirMoves = "ask"
