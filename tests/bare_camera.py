"""A simulated camera on a bare link: it hears messages without header or number, and answers so."""

from __future__ import annotations

import random
from collections.abc import Hashable

from ptzsim.camera import SimulatedCamera
from ptzsim.station import Station

from ptzd.links import MemoryLink
from ptzd.visca import RESET, Clear, Packet, PayloadType

HEADER_BYTES = 8


async def serve_bare(camera: SimulatedCamera, link: MemoryLink, *, stream: bool, rng: random.Random) -> None:
    """Serve until cancelled. On a `stream` what the camera says comes in pieces, wherever they break."""

    def send(peer: Hashable, datagram: bytes) -> None:
        packet = Packet.decode(datagram)
        message = bytes.fromhex("90 50 FF") if packet.payload_type is PayloadType.CONTROL_REPLY else packet.payload
        cut = rng.randrange(len(message)) if stream else 0
        for piece in (message[:cut], message[cut:]):
            if piece:
                link.send(piece)

    camera._numbers.expected = lambda number: True  # type: ignore[method-assign]  # a bare message has none
    station = Station(camera, send)
    heard, number = b"", 0
    while True:
        *messages, heard = (heard + await link.receive()).split(b"\xff")
        for message in (each + b"\xff" for each in messages):
            if message == Clear.message:
                number = 0
                packet = Packet(PayloadType.CONTROL, 0, RESET)
            else:
                number += 1
                kind = PayloadType.INQUIRY if message[1] == 0x09 else PayloadType.COMMAND
                packet = Packet(kind, number, message)
            station.heard(packet.encode(), "wire")
