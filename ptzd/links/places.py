"""Where addresses lead: two that are written differently may be one camera."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

from .address import Address, SerialAddress


def places(address: Address) -> frozenset[str]:
    """Return every place to which an address leads; none for a host name that is unknown. A name is looked up here."""
    if isinstance(address, SerialAddress):
        return frozenset({f"{os.path.realpath(address.device)} {address.place}"})
    try:
        found = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_DGRAM)
    except OSError:
        return frozenset()
    return frozenset(f"{at[0]!s} {at[1]!s}" for *_, at in found)


def alike(places_by_name: Mapping[str, frozenset[str]]) -> tuple[str, str] | None:
    """Return two names that lead to one place, if there are such."""
    led: dict[str, str] = {}
    for name, found in places_by_name.items():
        for place in found:
            if (first := led.setdefault(place, name)) != name:
                return first, name
    return None
