"""The simulated camera: wire side, head physics and faults. The daemon never imports it."""

from .camera import Knock, SimulatedCamera
from .habits import Habits, draw_habits
from .head import Head
from .lens import Lens, Scene
from .mount import MOUNTS, Mount, mount_named
from .serial_line import serve_serial
from .serving import serve_memory, serve_tcp, serve_udp
from .truth import draw_stranger, draw_truth
from .wiring import Wiring, draw_wiring
