"""The daemon: where everything is wired together, and what each command does."""

from .daemon import Daemon
from .run import NotAtRestError, run_daemon
from .setup import StartError, StoreInUseError, calendar, camera_settings
from .showtext import ShowText
