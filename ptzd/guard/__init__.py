"""Stops heads that nobody controls any more: a process that outlives the daemon, and its twin in memory."""

from .calling import Seen, call, called, seen
from .guard import Guard, Guardian
from .halting import Halt, Watched, halt
from .keeper import Guarded, Keeper
from .memory import MemoryGuard
from .terms import HaltBegan, HaltEnded
