"""Where addresses lead: two that are written differently may be one camera."""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping
from contextlib import suppress

from .address import Address, SerialAddress


def places(address: Address, *, look_up: bool = True) -> frozenset[str]:
    """Return every place to which an address leads, beside itself as it is written.

    The name of a host is looked up, which may take long, unless that is not wanted; one that is unknown leads nowhere.
    """
    if isinstance(address, SerialAddress):
        return frozenset({str(address), f"{os.path.realpath(address.device)} {address.place}"})
    found = []
    with suppress(OSError, ValueError):  # a name that there can't be is no error of the system's
        numbers = 0 if look_up else socket.AI_NUMERICHOST
        found = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_DGRAM, flags=numbers)
    return frozenset({str(address), *(f"{at[0]!s} {at[1]!s}" for *_, at in found)})


def alike(places_by_name: Mapping[str, frozenset[str]]) -> tuple[str, str] | None:
    """Return two names that lead to one place, if there are such."""
    led: dict[str, str] = {}
    for name, found in places_by_name.items():
        for place in found:
            if (first := led.setdefault(place, name)) != name:
                return first, name
    return None
