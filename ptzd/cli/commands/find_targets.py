"""What `ptzd find` is to ask: from what a person writes to single addresses, within what is polite.

Single addresses may lie anywhere. A range must lie in a network that this computer is in itself, and holds 1,022
addresses at most: whoever asks through other people's networks is taken for an attack, rightly.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from ipaddress import IPv4Network
from pathlib import Path

from ptzd.links import Address, parse_link
from ptzd.links.address import MOST_IN_A_CHAIN

WIDEST_RANGE = 22  # the shortest prefix
MOST = 1024  # addresses with their ports in all
LOOPBACK = IPv4Network("127.0.0.0/8")
ROUTES = Path("/proc/net/route")
_WRITTEN = re.compile(
    r"(?:(?P<scheme>[a-z-]+)://)?(?P<host>\[[0-9a-fA-F:.]+\]|[^/:\s]+)(?:/(?P<prefix>\d{1,2}))?"
    r"(?::(?P<port>\d{1,5})(?:-(?P<last>\d{1,5}))?)?"
)


def own_networks(routes: str) -> list[IPv4Network]:
    """Return the networks that this computer is in, by its table of routes as Linux writes it (`/proc/net/route`)."""
    networks = [LOOPBACK]
    for line in routes.splitlines()[1:]:
        fields = line.split()
        destination, gateway, mask = (int.from_bytes(bytes.fromhex(fields[at])[::-1]) for at in (1, 2, 7))
        if gateway == 0 and mask:
            networks.append(IPv4Network((destination, mask.bit_count())))
    return networks


def read_own_networks() -> list[IPv4Network]:
    """Return the networks that this computer is in; its loopback alone where it does not tell."""
    try:
        return own_networks(ROUTES.read_text("ascii"))
    except (OSError, ValueError):
        return [LOOPBACK]


def targets(written: Sequence[str], own: Sequence[IPv4Network]) -> list[Address]:
    """Return each address once, in order. Raises ValueError with a sentence that says what would be right."""
    found = list(dict.fromkeys(each for text in written for each in _targets(text, own)))
    if len(found) > MOST:
        raise ValueError(f"these are {len(found)} addresses with their ports; ask {MOST} at a time at most")
    return found


def _targets(text: str, own: Sequence[IPv4Network]) -> Iterator[Address]:
    if text.startswith("serial:") and "address=" not in text:
        for place in range(1, MOST_IN_A_CHAIN + 1):
            yield parse_link(f"{text}{'&' if '?' in text else '?'}address={place}")
        return
    match = None if text.startswith("serial:") else _WRITTEN.fullmatch(text)
    if match is None:
        yield parse_link(text)
        return
    scheme, host, prefix, port, last = match.group("scheme", "host", "prefix", "port", "last")
    hosts = [host] if prefix is None else _hosts(f"{host}/{prefix}", own)
    ports = [port] if last is None else _ports(text, int(port), int(last))
    if len(hosts) * len(ports) > MOST:
        raise ValueError(f"{text} are {len(hosts) * len(ports)} addresses with their ports; ask {MOST} at most")
    for each in hosts:
        for number in ports:
            yield parse_link(f"{scheme or 'udp'}://{each}" + ("" if number is None else f":{number}"))


def _ports(text: str, first: int, last: int) -> list[str]:
    if not 0 < first <= last < 65536:
        raise ValueError(f"{text} has no range of ports; write the lesser first, as in 127.0.0.1:52381-52388")
    return [str(port) for port in range(first, last + 1)]


def _hosts(text: str, own: Sequence[IPv4Network]) -> list[str]:
    names = ", ".join(map(str, own))
    try:
        network = IPv4Network(text, strict=False)
    except ValueError:
        raise ValueError(f"{text} is no range of addresses; write one of this computer's own: {names}") from None
    if network.prefixlen < WIDEST_RANGE:
        raise ValueError(
            f"{network} is too wide to be asked through politely; name a part of it, /{WIDEST_RANGE} at most"
        )
    if not any(network.subnet_of(each) for each in own):
        raise ValueError(
            f"{network} is in no network of this computer, and those of others are not asked through: {names}"
        )
    return [str(host) for host in network.hosts()]
