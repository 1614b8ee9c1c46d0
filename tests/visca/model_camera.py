"""A camera as small as it can be, with no code of the program's in it: bytes in, bytes out.

What it makes of sequence numbers is a policy, since documents leave room:
- "next": only the one after the last, and the last one itself if it was refused (the strictest reading of [A])
- "later": any that is later than the last
- "any": it never looks

[A] SRG-300H technical manual, "VISCA over IP".
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

MOVE_SECONDS = 2.0
SWITCH_SECONDS = 0.05
ANSWERS = {0x00: "02", 0x47: "01 01 01 01", 0x48: "02 02 02 02", 0x38: "03"}  # by the inquiry's fourth byte


@dataclass
class Running:
    number: int
    ends_at: float
    move: bool


class ModelCamera:
    """Two sockets, a counter, a head that turns or does not."""

    def __init__(self, numbers: str, answers_cancels: bool) -> None:
        self.numbers = numbers
        self.answers_cancels = answers_cancels
        self.sockets: dict[int, Running] = {}
        self.performed: list[bytes] = []  # the commands, in the order in which it performed them
        self.restart()

    def restart(self) -> None:
        self.last = 0
        self.last_performed = False
        self.sockets.clear()

    @property
    def turning(self) -> bool:
        return any(running.move for running in self.sockets.values())

    def due(self) -> float | None:
        return min((running.ends_at for running in self.sockets.values()), default=None)

    def completions(self, now: float) -> list[bytes]:
        ended = [(socket, running) for socket, running in self.sockets.items() if running.ends_at <= now]
        for socket, _ in ended:
            del self.sockets[socket]
        return [self.packet(0x0111, running.number, f"90 5{socket} FF") for socket, running in ended]

    def hear(self, datagram: bytes, now: float) -> list[bytes]:
        kind, _, number = struct.unpack(">HHI", datagram[:8])
        message = datagram[8:]
        if kind == 0x0200:
            self.last, self.last_performed = 0, False
            return [self.packet(0x0201, number, "01")]
        if not self.takes(number):
            return [self.packet(0x0201, number, "0F 01")]
        wire, performed = self.perform(kind, number, message, now)
        if performed and kind == 0x0100:
            self.performed.append(message)
        if self.numbers != "later" or self.is_later(number):
            self.last, self.last_performed = number, performed
        return [self.packet(0x0111, number, each) for each in wire]

    def takes(self, number: int) -> bool:
        if self.numbers == "any" or (number == self.last and not self.last_performed):
            return True
        if self.numbers == "next":
            return number == (self.last + 1) % 2**32
        return self.is_later(number)

    def is_later(self, number: int) -> bool:
        return 0 < (number - self.last) % 2**32 < 2**31

    def perform(self, kind: int, number: int, message: bytes, now: float) -> tuple[list[str], bool]:
        if kind == 0x0110:
            return [f"90 50 {ANSWERS[message[3]]} FF"], True
        if message[1] >> 4 == 2:
            socket = message[1] & 0xF
            ended = self.sockets.pop(socket, None)
            answer = [f"90 6{socket} {'04' if ended else '05'} FF"]
            return (answer if self.answers_cancels else []), ended is not None
        if message[2:4] == b"\x06\x01":  # the stop: a head ends its moves, and says so
            return self.stop(number)
        free = [socket for socket in (1, 2) if socket not in self.sockets]
        if not free:
            return ["90 60 03 FF"], False
        move = message[2] == 0x06
        self.sockets[free[0]] = Running(number, now + (MOVE_SECONDS if move else SWITCH_SECONDS), move)
        return [f"90 4{free[0]} FF"], True

    def stop(self, number: int) -> tuple[list[str], bool]:
        for socket in [socket for socket, running in self.sockets.items() if running.move]:
            del self.sockets[socket]
        free = [socket for socket in (1, 2) if socket not in self.sockets]
        if not free:
            return ["90 60 03 FF"], False
        return [f"90 4{free[0]} FF", f"90 5{free[0]} FF"], True

    @staticmethod
    def packet(kind: int, number: int, wire: str) -> bytes:
        payload = bytes.fromhex(wire)
        return struct.pack(">HHI", kind, len(payload), number) + payload
