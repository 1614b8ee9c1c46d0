"""Telling the service manager how the daemon is doing, in the way of sd_notify(3): datagrams to NOTIFY_SOCKET."""

from __future__ import annotations

import asyncio
import os
import socket


def notify(state: str) -> None:
    """Send `READY=1`, `STOPPING=1` or the like; nothing happens where no service manager listens."""
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return
    if address.startswith("@"):  # a name in the abstract namespace
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
        try:
            line.connect(address)
            line.sendall(state.encode())
        except OSError:
            return  # a manager that went away must not take the cameras with it


def watchdog_seconds() -> float | None:
    """Return how often the service manager wants to hear of this process; None where it does not."""
    if os.environ.get("WATCHDOG_PID", str(os.getpid())) != str(os.getpid()):
        return None
    microseconds = os.environ.get("WATCHDOG_USEC", "")
    return int(microseconds) / 1e6 if microseconds.isdecimal() and int(microseconds) else None


async def feed_watchdog() -> None:
    """Say twice in each such time, until cancelled, that the event loop runs: from it alone, or it would be no sign."""
    seconds = watchdog_seconds()
    while seconds is not None:
        notify("WATCHDOG=1")
        await asyncio.sleep(seconds / 2)
