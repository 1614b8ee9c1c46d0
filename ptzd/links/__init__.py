"""Bytes to one camera and back: UDP, and in memory. Knows no VISCA."""

from .address import LinkAddress, parse_link
from .link import Link
from .memory import MemoryLink, memory_pair
from .udp import UdpLink, open_udp

__all__ = ["Link", "LinkAddress", "MemoryLink", "UdpLink", "memory_pair", "open_udp", "parse_link"]
