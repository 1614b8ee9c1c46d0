"""The one place where an address becomes an open link. A new kind of link gets its scheme here and in `address.py`."""

from __future__ import annotations

import asyncio
import socket
from collections.abc import Callable
from contextlib import AbstractAsyncContextManager
from dataclasses import replace

from .address import Address, LinkAddress, SerialAddress
from .link import Link
from .serial_port import open_serial
from .tcp import go_on_with_tcp, open_tcp
from .udp import open_udp


def open(address: Address, *, connected: Callable[[int], None] | None = None) -> AbstractAsyncContextManager[Link]:
    """Open a link for as long as the context lasts. Entering it raises OSError for a name that is unknown.

    A connection that can't be had yet, or that is lost, is no error: it is tried again and again. `connected` is told
    of the file of each, for somebody who is to `go_on` with it.
    """
    match address:
        case LinkAddress(host=host, port=port, scheme="tcp"):
            return open_tcp(host, port, connected=connected)
        case LinkAddress(host=host, port=port, scheme="bare-udp"):
            return open_udp(host, port, "datagrams")
        case LinkAddress(host=host, port=port):
            return open_udp(host, port)
        case SerialAddress():
            return open_serial(address)


async def resolved(address: Address) -> Address:
    """Return an address whose host is no name. Raises OSError for one that is unknown."""
    if not isinstance(address, LinkAddress):
        return address
    kind = socket.SOCK_STREAM if address.scheme == "tcp" else socket.SOCK_DGRAM
    found = await asyncio.get_running_loop().getaddrinfo(address.host, address.port, type=kind)
    return replace(address, host=str(found[0][4][0]))


def go_on(address: Address, handed: int | None) -> AbstractAsyncContextManager[Link]:
    """Open a link beside somebody who may have one to the same camera, and who stands still or is gone.

    A camera may have room for one connection alone. So its other holder hands over the file of his own beforehand: what
    is `handed` is used as long as it works, and is left open for him.
    """
    if isinstance(address, SerialAddress):
        return open_serial(address, alone=False)
    if handed is not None:
        return go_on_with_tcp(handed, address.host, address.port)
    return open(address)
