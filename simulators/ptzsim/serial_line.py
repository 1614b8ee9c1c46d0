"""Simulated cameras in a chain on one serial wire: in memory, or behind a pseudo-terminal of this machine.

Bytes travel at the pace of the wire, both ways. A camera knows its place in the chain once addresses were set; one that
restarts has forgotten it, and says "network change".
"""

from __future__ import annotations

import asyncio
import os
import random
import termios
import tty
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from functools import partial
from pathlib import Path

from .bare import Messages
from .camera import SimulatedCamera
from .station import Station
from .wiring import Wiring

BAUD = 9600
BITS_A_BYTE = 10
ADDRESS_SET = bytes.fromhex("88 30 01 FF")
CLEAR_ALL = bytes.fromhex("88 01 00 01 FF")
CLEAR = bytes.fromhex("81 01 00 01 FF")
NETWORK_CHANGE = bytes.fromhex("38 FF")


class SerialChain:
    """Hand it what the computer says with `heard`; what comes back goes to `write`."""

    def __init__(
        self,
        cameras: Sequence[SimulatedCamera],
        write: Callable[[bytes], None],
        *,
        wiring: Wiring | None = None,
        rng: random.Random,
    ) -> None:
        self._cameras = cameras
        self._write = write
        self._wiring = wiring or Wiring()
        self._rng = rng
        self._byte_seconds = BITS_A_BYTE / BAUD
        self._loop = asyncio.get_running_loop()
        self._messages = Messages()
        self._stations = [
            Station(camera, partial(self._replied, index), bare=True) for index, camera in enumerate(cameras)
        ]
        # A camera alone on its wire is at 1 from the beginning.
        self._places: list[int | None] = [1] if len(cameras) == 1 else [None] * len(cameras)
        self._away: set[int] = set()  # taken out of the chain
        self._in_free_at = self._out_free_at = 0.0
        self._timers: set[asyncio.TimerHandle] = set()
        for index, camera in enumerate(cameras):
            camera.restarted = partial(self._restarted, index)

    def heard(self, data: bytes) -> None:
        for message in self._messages.feed(data):
            self._in_free_at = max(self._in_free_at, self._loop.time()) + len(message) * self._byte_seconds
            self._at(self._in_free_at, partial(self._arrived, message))

    def take_out(self, index: int) -> None:
        """Take a camera out of the chain, and join what is left; its neighbours tell."""
        self._away.add(index)
        self._places[index] = None
        self._say(b"\x90" + NETWORK_CHANGE)

    def put_back(self, index: int) -> None:
        """Put it back to its place."""
        self._away.discard(index)
        self._say(b"\x90" + NETWORK_CHANGE)

    def close(self) -> None:
        """Forget all that is on the wire."""
        for timer in self._timers:
            timer.cancel()
        self._timers.clear()
        self._messages = Messages()

    def _at(self, when: float, act: Callable[[], None]) -> None:
        def ring() -> None:
            self._timers.discard(timer)
            act()

        timer = self._loop.call_at(when, ring)
        self._timers.add(timer)

    def _arrived(self, message: bytes) -> None:
        if message == ADDRESS_SET:
            next_place = 1
            for index in range(len(self._cameras)):
                self._places[index] = None if index in self._away else next_place
                next_place += index not in self._away
            if len(self._cameras) > 1 or self._wiring.answers_broadcast:
                self._say(bytes((0x88, 0x30, next_place, 0xFF)))
        elif message == CLEAR_ALL:
            for index, station in enumerate(self._stations):
                if index not in self._away:
                    station.heard(CLEAR, None)
            self._say(CLEAR_ALL)
        elif 0x81 <= message[0] <= 0x87 and message[0] & 0x0F in self._places:
            index = self._places.index(message[0] & 0x0F)
            self._stations[index].heard(b"\x81" + message[1:], "computer")

    def _replied(self, index: int, peer: object, message: bytes) -> None:
        place = self._places[index]
        if place is not None and peer is not None:
            self._say(bytes(((8 + place) << 4,)) + message[1:])

    def _restarted(self, index: int) -> None:
        self._places[index] = None
        self._say(bytes(((9 + index) << 4,)) + NETWORK_CHANGE)

    def _say(self, message: bytes) -> None:
        begins_at = max(self._out_free_at, self._loop.time())
        self._out_free_at = begins_at + len(message) * self._byte_seconds
        cut = self._rng.randrange(len(message)) if self._wiring.pieces > 1 else 0
        if cut:
            self._at(begins_at + cut * self._byte_seconds, partial(self._write, message[:cut]))
        self._at(self._out_free_at, partial(self._write, message[cut:]))


@asynccontextmanager
async def serve_serial(
    cameras: Sequence[SimulatedCamera], path: Path, *, wiring: Wiring | None = None, rng: random.Random
) -> AsyncIterator[Path]:
    """Let `path` be a serial device with these cameras on it for as long as the context lasts. Yields it.

    `pull` of any camera pulls the device from the computer: it vanishes, and comes back. Raises OSError for a path at
    which something is already.
    """
    port = _Port(cameras, path, wiring, rng)
    port.plug_in()
    for camera in cameras:
        camera.pull = port.pull
    try:
        yield path
    finally:
        port.pull_out()
        port.close()


class _Port:
    """A pseudo-terminal that can be pulled out."""

    def __init__(
        self, cameras: Sequence[SimulatedCamera], path: Path, wiring: Wiring | None, rng: random.Random
    ) -> None:
        self._path = path
        self._loop = asyncio.get_running_loop()
        self._chain = SerialChain(cameras, self._write, wiring=wiring, rng=rng)
        self._files: tuple[int, int] | None = None
        self._back: asyncio.TimerHandle | None = None

    def plug_in(self) -> None:
        self._back = None
        self._files = ours, theirs = os.openpty()
        tty.setraw(theirs)
        os.set_blocking(ours, False)
        self._path.symlink_to(os.ttyname(theirs))
        self._loop.add_reader(ours, self._read)

    def pull_out(self) -> None:
        if self._files is None:
            return
        self._loop.remove_reader(self._files[0])
        self._path.unlink(missing_ok=True)
        for file in self._files:
            os.close(file)
        self._files = None
        self._chain.close()

    def pull(self, until: float) -> None:
        self.pull_out()
        if self._back is not None:
            self._back.cancel()
        self._back = self._loop.call_at(until, self.plug_in)

    def close(self) -> None:
        if self._back is not None:
            self._back.cancel()

    def _read(self) -> None:
        assert self._files is not None
        with suppress(BlockingIOError):
            data = os.read(self._files[0], 4096)
            if termios.tcgetattr(self._files[1])[5] == termios.B9600:  # at another pace bits are no bytes
                self._chain.heard(data)

    def _write(self, data: bytes) -> None:
        if self._files is not None:
            with suppress(BlockingIOError):  # nobody reads: it is lost, as on a wire
                os.write(self._files[0], data)
