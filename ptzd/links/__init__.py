"""Bytes to one camera and back: UDP, and in memory. Knows no VISCA."""

from .address import LinkAddress, parse_link
from .link import Form, Link
from .memory import MemoryLink, memory_pair
from .opening import open
from .udp import UdpLink

__all__ = ["Form", "Link", "LinkAddress", "MemoryLink", "UdpLink", "memory_pair", "open", "parse_link"]
