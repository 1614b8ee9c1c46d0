"""Where packets pass between the daemon and a camera, and are looked at."""

from __future__ import annotations

import asyncio
from typing import cast

from ptzd.visca import Packet, PanTiltAbsolute, load_dialect, parse_command


class Tap(asyncio.DatagramProtocol):
    """Stands between the daemon and one simulated camera, and tells when a move order passes."""

    def __init__(self, camera_port: int) -> None:
        self.camera = ("127.0.0.1", camera_port)
        self.daemon: tuple[str, int] | None = None
        self.ordered: asyncio.Future[float] | None = None
        self.dialect = load_dialect("nibble4-51")

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        self.transport = cast(asyncio.DatagramTransport, transport)

    def datagram_received(self, data: bytes, addr: tuple[str, int]) -> None:
        at = asyncio.get_running_loop().time()
        if addr == self.camera:
            if self.daemon is not None:
                self.transport.sendto(data, self.daemon)
            return
        if addr[1] != 0:
            self.daemon = addr
        if self.ordered is not None and not self.ordered.done() and _is_order(data):
            self.ordered.set_result(at)
        self.transport.sendto(data, self.camera)


def _is_order(data: bytes) -> bool:
    packet = Packet.decode(data)
    if packet.payload[:4] != b"\x81\x01\x06\x02":
        return False
    return isinstance(parse_command(packet.payload, load_dialect("nibble4-51")), PanTiltAbsolute)
