"""The simulated camera: wire side, head physics and faults. The daemon never imports it."""

from .camera import SimulatedCamera
from .fleet import CameraPlan, FleetError, read_fleet
from .habits import Habits, draw_habits
from .head import Head
from .lens import Lens, Scene
from .mount import MOUNTS, Mount, draw_mount, mount_named
from .serving import serve_memory, serve_udp
from .truth import Truth, draw_stranger, draw_truth

__all__ = [
    "MOUNTS",
    "CameraPlan",
    "FleetError",
    "Habits",
    "Head",
    "Lens",
    "Mount",
    "Scene",
    "SimulatedCamera",
    "Truth",
    "draw_habits",
    "draw_mount",
    "draw_stranger",
    "draw_truth",
    "mount_named",
    "read_fleet",
    "serve_memory",
    "serve_udp",
]
