"""The one place where an address becomes an open link. A new kind of link gets its scheme here and in `address.py`."""

from __future__ import annotations

from contextlib import AbstractAsyncContextManager

from .address import LinkAddress
from .link import Link
from .udp import open_udp


def open(address: LinkAddress) -> AbstractAsyncContextManager[Link]:
    """Open a link for as long as the context lasts. Entering it raises OSError for a name that is unknown."""
    return open_udp(address.host, address.port)
