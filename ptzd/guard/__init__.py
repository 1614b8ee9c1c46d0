"""Stops heads that nobody controls any more: a process that outlives the daemon, and its twin in memory."""

from .halting import Halt, Watched, halt
from .keeper import Guarded, Guardian, Keeper
from .memory import MemoryGuard
from .terms import HaltBegan, HaltEnded
