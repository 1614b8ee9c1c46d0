"""A desk to test simulated cameras at: controllers that speak in plain hex, on a clock that is set by hand.

Nothing here comes from `ptzd.visca`, so that a mistake there can't hide one in the simulator.
"""

from __future__ import annotations

import random
import struct
from collections.abc import Callable
from dataclasses import dataclass

import pytest
from ptzsim import Habits, SimulatedCamera, draw_truth, mount_named

from ptzd.visca import load_dialect

COMMAND, INQUIRY, REPLY, DEVICE_SETTING, CONTROL, CONTROL_REPLY = 0x0100, 0x0110, 0x0111, 0x0120, 0x0200, 0x0201
AT_ONCE = 0.1  # seconds: longer than any camera takes over a few messages


@dataclass(frozen=True)
class Heard:
    """One datagram from the camera."""

    at: float
    kind: int
    number: int
    payload: str  # hex, such as "90 41 ff"


def packet(kind: int, number: int, payload: str) -> bytes:
    data = bytes.fromhex(payload)
    return struct.pack(">HHI", kind, len(data), number) + data


def nibbles(value: int, count: int = 4) -> str:
    """0x1E1B is "01 0e 01 0b"; negative numbers in two's complement."""
    return " ".join(f"0{digit}" for digit in f"{value & (16**count - 1):0{count}x}")


def value_of(answer: str) -> int:
    """The unsigned number in the nibbles of an answer, such as "90 50 01 0e 01 0b ff"."""
    return int("".join(f"{byte:x}" for byte in bytes.fromhex(answer)[2:-1]), 16)


def signed(value: int, bits: int = 16) -> int:
    return value - (1 << bits) if value >> (bits - 1) else value


class Desk:
    """A camera, and a clock that only `pass_time` moves."""

    def __init__(self, camera: SimulatedCamera) -> None:
        self.camera = camera
        self.now = 0.0
        self.heard: dict[object, list[Heard]] = {}

    def pass_time(self, seconds: float) -> None:
        end = self.now + seconds
        while (due := self.camera.next_due()) is not None and due <= end:
            for peer, datagram in self.camera.due(due):
                kind, length, number = struct.unpack_from(">HHI", datagram)
                assert length == len(datagram) - 8
                self.heard.setdefault(peer, []).append(Heard(due, kind, number, datagram[8:].hex(" ")))
        self.now = end

    def controller(self, name: str = "first") -> Controller:
        return Controller(self, name)


class Controller:
    """One end of the wire: it counts for itself, unless a number is given."""

    def __init__(self, desk: Desk, name: str) -> None:
        self.desk = desk
        self.name = name
        self.number = 0

    def send(self, payload: str, *, kind: int | None = None, number: int | None = None) -> int:
        """Put one message on the wire and return its number, the next one unless one is given."""
        if number is None:
            self.number += 1
            number = self.number
        if kind is None:
            kind = INQUIRY if bytes.fromhex(payload)[1] == 0x09 else COMMAND
        self.desk.camera.receive(packet(kind, number, payload), self.name, self.desk.now)
        return number

    def listen(self, seconds: float = AT_ONCE) -> list[Heard]:
        """Let time pass and return what came meanwhile."""
        before = len(self.desk.heard.get(self.name, []))
        self.desk.pass_time(seconds)
        return self.desk.heard.get(self.name, [])[before:]

    def tell(self, payload: str, seconds: float = AT_ONCE, *, number: int | None = None) -> list[str]:
        """Send a message and return the payloads of what comes back."""
        self.send(payload, number=number)
        return [heard.payload for heard in self.listen(seconds)]

    def ask(self, payload: str) -> str:
        (answer,) = self.tell(payload)
        return answer

    def focus(self) -> int:
        return value_of(self.ask("81 09 04 48 ff"))

    def reset(self) -> list[Heard]:
        """Send the control message RESET and return what comes back."""
        self.desk.camera.receive(packet(CONTROL, 0, "01"), self.name, self.desk.now)
        self.number = 0
        return self.listen()

    def go(self, pan: int, tilt: int, *, pan_speed: int = 0x18, tilt_speed: int = 0x12) -> str:
        """The message for an absolute move on a head with a speed for each axis."""
        return f"81 01 06 02 {pan_speed:02x} {tilt_speed:02x} {nibbles(pan)} {nibbles(tilt)} ff"

    def zoom_to(self, counts: int) -> str:
        """The message for zoom direct."""
        return f"81 01 04 47 {nibbles(counts)} ff"

    def focus_to(self, counts: int) -> str:
        """The message for focus direct."""
        return f"81 01 04 48 {nibbles(counts)} ff"

    def pan_tilt(self) -> tuple[int, int]:
        return self.read_pan_tilt(self.ask("81 09 06 12 ff"))

    def read_pan_tilt(self, answer: str) -> tuple[int, int]:
        """Pan and tilt counts in an answer, four nibbles each."""
        value = value_of(answer)
        return signed(value >> 16), signed(value & 0xFFFF)

    def zoom(self) -> int:
        return value_of(self.ask("81 09 04 47 ff"))

    def status(self) -> int:
        return int.from_bytes(bytes.fromhex(self.ask("81 09 06 10 ff"))[2:-1], "big")


@pytest.fixture
def make_camera() -> Callable[..., SimulatedCamera]:
    def make(
        dialect: str = "nibble4-51",
        *,
        mount: str = "tripod",
        seed: int = 1,
        ready: bool = True,
        habits: Habits | None = None,
    ) -> SimulatedCamera:
        kind = load_dialect(dialect)
        truth = draw_truth(kind, random.Random(seed))
        return SimulatedCamera(kind, truth=truth, mount=mount_named(mount), ready=ready, habits=habits or Habits())

    return make


@pytest.fixture
def make_desk(make_camera: Callable[..., SimulatedCamera]) -> Callable[..., Desk]:
    def make(*arguments: str, **settings: object) -> Desk:
        return Desk(make_camera(*arguments, **settings))

    return make


@pytest.fixture
def desk(make_camera: Callable[..., SimulatedCamera]) -> Desk:
    """A ready camera of the dialect nibble4-51 on a tripod."""
    return Desk(make_camera())


@pytest.fixture
def controller(desk: Desk) -> Controller:
    return desk.controller()
