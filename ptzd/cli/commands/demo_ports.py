"""Ports on 127.0.0.1 that nobody uses."""

from __future__ import annotations

import socket

from ptzd.cli.output import Failure

_TRIES = 50


def free_tcp_port() -> int:
    """Return a TCP port that is free now."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def free_udp_ports(count: int) -> range:
    """Return `count` consecutive UDP ports that are free now."""
    for _ in range(_TRIES):
        first = _some_udp_port()
        if first + count <= 65536 and all(_is_free(port) for port in range(first, first + count)):
            return range(first, first + count)
    raise Failure(f"There are no {count} free UDP ports in a row on 127.0.0.1; end another program and try again.")


def _some_udp_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _is_free(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True
