"""Small evenings for the rehearsal: cameras whose every figure is round, so that a show can be worked out by hand."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from ptzd.cameras import CameraSettings, Optics
from ptzd.config import load_config
from ptzd.daemon import camera_settings
from ptzd.line import Framing, Tolerance
from ptzd.motion import AxisModel, HeadModel, Sensor, SettleModel, Spread, ZoomModel, lens_between, published_head
from ptzd.positions import StoredPosition, read_show
from ptzd.rehearsal import RehearsedCamera
from ptzd.visca import load_dialect

CONFIGS = Path(__file__).parent.parent / "configs"
EVENING = datetime(2031, 5, 24, 19, 30, tzinfo=UTC)
DIALECT = load_dialect("nibble4-51")
LATENCY, STILL = 0.1, 0.4  # seconds before a head sets out, and after it has stopped

# Step 1 is 5°/s, step 2 is 20°/s, step 3 is 60°/s, all at 120°/s²; the zoom runs at 5000 counts/s and 20000 counts/s².
PLAIN = HeadModel(
    pan=AxisModel((5.0, 20.0, 60.0), 120.0),
    tilt=AxisModel((5.0, 20.0, 60.0), 120.0),
    zoom=ZoomModel(5000.0, (500.0, 1000.0, 1500.0, 2000.0, 2500.0, 3000.0, 4000.0, 5000.0), 20000.0),
    focus_counts_per_s=20000.0,
    latency_seconds=LATENCY,
    settle=SettleModel(STILL, 0.0, 0.1, 20.0, 0.02),  # it does not swing at all
    origin="published",
    spread=Spread(0.0, 0.0, 0.0, 0.0, 0.0),
)
# With the dialect's own table: 24 steps from 1 to 120°/s, among them 9 and 15°/s.
TABLED = published_head(DIALECT.pan.steps_deg_per_s, DIALECT.tilt.steps_deg_per_s)
LENS = Optics(Sensor(36.0, 24.0), lens_between(28.0, 135.0, DIALECT.zoom.ratios), 25.0)

# Where each position points: pan and tilt in degrees, zoom in counts.
PLACES: Mapping[str, tuple[float, float, int]] = {
    "home": (0.0, 0.0, 0),
    "near": (7.5, 0.0, 0),
    "door": (30.0, 0.0, 0),
    "piano": (-60.0, 0.0, 0),
    "post": (90.0, 0.0, 0),
    "beam": (0.0, 45.0, 0),
    "face": (0.0, 0.0, 10000),
    "roof": (30.0, 80.0, 1250),
}


def camera(name: str, places: Mapping[str, tuple[float, float, int]] = PLACES, **settings: Any) -> RehearsedCamera:
    """A camera with a plain head and a position at each place."""
    fields: dict[str, Any] = {
        "head": PLAIN,
        "speed": 3,
        "on_air_speed": 3,
        "tolerance": Tolerance(),
        "on_air_moves": "allow",
    } | settings
    return RehearsedCamera(
        CameraSettings(name=name, dialect=DIALECT, **fields),
        {place: stored(name, place, *where) for place, where in places.items()},
    )


def stored(name: str, place: str, pan_deg: float, tilt_deg: float, zoom_counts: int, **pace: Any) -> StoredPosition:
    """A position that points somewhere; the camera focuses by itself."""
    fields: dict[str, Any] = {"speed": None, "seconds": None} | pace
    framing = Framing(DIALECT.pan.counts(pan_deg), DIALECT.tilt.counts(tilt_deg), zoom_counts, 0x2000, "auto")
    return StoredPosition(name, place, framing, DIALECT.name, note="", stored_at=EVENING, **fields)


def two_cameras() -> dict[str, RehearsedCamera]:
    """Left and right, alike."""
    return {"left": camera("left"), "right": camera("right")}


def granary() -> dict[str, RehearsedCamera]:
    """The cameras of the example configuration, with the positions of the example show."""
    config = load_config(CONFIGS / "granary.toml")
    text = (CONFIGS / "granary-show.toml").read_text("utf-8")
    positions = read_show(text, EVENING, lambda camera, name: None, replace=True)
    return {
        name: RehearsedCamera(
            camera_settings(name, settings),
            {position.name: position for position in positions if position.camera == name},
        )
        for name, settings in config.camera.items()
    }
