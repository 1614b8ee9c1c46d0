"""Bytes to one camera and back: UDP, TCP, and in memory. Knows no VISCA."""

from .address import Address, LinkAddress, SerialAddress, parse_link
from .link import LOST, Form, Link
from .memory import MemoryLink, memory_pair
from .opening import go_on, open, resolved
from .places import alike, places
