"""Ports on 127.0.0.1 that nobody uses."""

from __future__ import annotations

import socket

from ptzd.cli.output import Failure

_TRIES = 50


def free_tcp_port() -> int:
    """Return a TCP port that is free now."""
    return _bound(socket.SOCK_STREAM)


def free_udp_ports(count: int) -> range:
    """Return `count` consecutive UDP ports that are free now."""
    for _ in range(_TRIES):
        first = _bound(socket.SOCK_DGRAM)
        if first + count <= 65536 and all(_is_free(port) for port in range(first, first + count)):
            return range(first, first + count)
    raise Failure(f"There are no {count} free UDP ports in a row on 127.0.0.1; end another program and try again.")


def _is_free(port: int) -> bool:
    try:
        _bound(socket.SOCK_DGRAM, port)
    except OSError:
        return False
    return True


def _bound(kind: socket.SocketKind, port: int = 0) -> int:
    """Return the port that a socket got, by default any that is free. Raises OSError."""
    with socket.socket(socket.AF_INET, kind) as probe:
        probe.bind(("127.0.0.1", port))
        return int(probe.getsockname()[1])
