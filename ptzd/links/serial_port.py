"""A serial port with a chain of cameras on it: RS-232 and RS-422 look alike from here.

One port is shared by all links to it in a process, and held for them alone, but for who must reach a camera whose
holder stands still. A device that vanishes is waited for.
"""

from __future__ import annotations

import asyncio
import os
import termios
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress

import serial

from .address import SerialAddress
from .chain import Chain
from .link import Link

PAUSE_SECONDS = 0.5  # between two looks for a device that is not there
READ_BYTES = 4096


class SerialPort:
    """See the module. `keep` must run for anything to pass."""

    def __init__(self, address: SerialAddress, *, alone: bool) -> None:
        """`alone`: nobody else may hold it, and all cameras are cleared."""
        self.chain = Chain(address.baud, address.cameras)
        self.users = 0
        self.keeping: asyncio.Task[None] | None = None
        self._device, self._baud, self._alone = address.device, address.baud, alone
        self._port: serial.Serial | None = None
        self._over = asyncio.Event()
        self._loop = asyncio.get_running_loop()

    async def keep(self) -> None:
        """Open the device, and open it anew whenever it was lost, until cancelled."""
        try:
            while True:
                try:
                    self._open()
                except (OSError, termios.error) as error:  # pyserial's own is the first, but not all that it lets out
                    self._close()
                    self.chain.end(_why(error if isinstance(error, OSError) else OSError(*error.args)))
                else:
                    await self._over.wait()
                await asyncio.sleep(PAUSE_SECONDS)
        finally:
            self.chain.close()
            self._close()

    def _open(self) -> None:
        try:
            self._port = self._opened(alone=True)
        except OSError:
            if self._alone:
                raise
            self._port = self._opened(alone=False)
        file = self._port.fileno()
        settings = termios.tcgetattr(file)
        settings[2] &= ~termios.HUPCL  # who closes it does not hang up: another may be speaking
        termios.tcsetattr(file, termios.TCSANOW, settings)
        termios.tcflush(file, termios.TCOFLUSH)  # what nobody is there to answer for
        self._over.clear()
        self._loop.add_reader(file, self._read)
        self.chain.begin(self._write, fresh=self._alone)

    def _opened(self, *, alone: bool) -> serial.Serial:
        return serial.Serial(self._device, self._baud, timeout=0, exclusive=alone)

    def _read(self) -> None:
        assert self._port is not None
        try:
            data = os.read(self._port.fileno(), READ_BYTES)
        except BlockingIOError:
            return
        except OSError as error:
            self._lost(_why(error))
            return
        if data:
            self.chain.heard(data)
        else:
            self._lost("the device has gone")

    def _write(self, data: bytes) -> None:
        assert self._port is not None
        try:
            os.write(self._port.fileno(), data)
        except BlockingIOError:
            pass  # the wire is held up: it is lost, and repeated
        except OSError as error:
            # Not from within: the chain is in the middle of a turn.
            self._loop.call_soon(self._lost, _why(error))

    def _lost(self, reason: str) -> None:
        if self._port is not None:
            self._close()
            self.chain.end(reason)
            self._over.set()

    def _close(self) -> None:
        if self._port is not None:
            self._loop.remove_reader(self._port.fileno())
            with suppress(OSError, termios.error):
                termios.tcflush(self._port.fileno(), termios.TCOFLUSH)  # or closing it waits for what can't leave
            with suppress(OSError):
                self._port.close()
            self._port = None


_open_ports: dict[tuple[asyncio.AbstractEventLoop, str, bool], SerialPort] = {}


@asynccontextmanager
async def open_serial(address: SerialAddress, *, alone: bool = True) -> AsyncIterator[Link]:
    """Have a link to one camera on a port for as long as the context lasts. Raises ValueError for a place twice."""
    key = (asyncio.get_running_loop(), address.device, alone)
    port = _open_ports.get(key)
    if port is None:
        port = _open_ports[key] = SerialPort(address, alone=alone)
        port.keeping = asyncio.create_task(port.keep())
    link = port.chain.join(address.place)
    port.users += 1
    try:
        await asyncio.sleep(0)  # until the port is open, where it can be
        yield link
    finally:
        port.chain.leave(address.place)
        port.users -= 1
        if not port.users and port.keeping is not None:
            del _open_ports[key]
            port.keeping.cancel()
            await asyncio.wait([port.keeping])


def _why(error: OSError) -> str:
    if error.errno == 2:
        return "there is no such device"
    if error.errno == 11:
        return "another program has it in use"
    return (error.strerror or str(error)).lower()
