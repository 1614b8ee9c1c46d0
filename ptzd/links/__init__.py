"""Bytes to one camera and back: UDP, and in memory. Knows no VISCA."""

from .address import LinkAddress, parse_link
from .link import Form, Link
from .memory import MemoryLink, memory_pair
from .opening import open
