"""What the daemon and its guard say to each other: lines of JSON, each shorter than what a pipe takes in one piece.

From the daemon, each camera once, then how long each may be moving:
    {"watch": "gallery", "link": "udp://127.0.0.1:52381", "dialect": "nibble4-51"}
    {"renew": "gallery", "until": 1234.5}     by `boot_seconds`; null where it does nothing that needs an end
    {"halt": "gallery", "why": "..."}
On a socket beside it, the file of each connection to a camera, and with it the link that it belongs to, as above.
From the guard:
    {"alive": 1234.5, "cameras": 3}           several times a second: when, and how many cameras it can halt
    {"halting": "gallery"}, {"halted": "gallery", "still": true}
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

LONGEST_LINE_BYTES = 4000  # what is shorter than 4096 goes into a pipe as a whole or not at all: pipe(7)
ALIVE_EVERY_SECONDS = 0.2

_CLOCK = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


def boot_seconds() -> float:
    """Return the time that both sides know: it goes on while the machine is suspended, unlike the loop's."""
    return time.clock_gettime(_CLOCK)


def encode(message: dict[str, Any]) -> bytes:
    """Return a message as a line. Raises ValueError for one that is too long."""
    line = json.dumps(message, separators=(",", ":")).encode() + b"\n"
    if len(line) > LONGEST_LINE_BYTES:
        raise ValueError("the message is too long for a pipe to take in one piece")
    return line


class Lines:
    """Bytes in, messages out. What is no JSON object on one line of bounded length is skipped."""

    def __init__(self) -> None:
        self._begun = b""
        self._skipping = False

    def feed(self, data: bytes) -> Iterator[dict[str, Any]]:
        """Yield the messages that end in `data`."""
        *whole, rest = (self._begun + data).split(b"\n")
        for line in whole:
            skipped, self._skipping = self._skipping, False
            if not skipped and len(line) < LONGEST_LINE_BYTES and (message := _decoded(line)) is not None:
                yield message
        self._skipping = self._skipping or len(rest) > LONGEST_LINE_BYTES
        self._begun = b"" if self._skipping else rest


def _decoded(line: bytes) -> dict[str, Any] | None:
    try:
        message = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return message if isinstance(message, dict) else None
