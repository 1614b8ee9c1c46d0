"""A link as it is written in the configuration: `udp://127.0.0.1:52381`, `serial:/dev/ttyUSB0?address=2`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal
from urllib.parse import parse_qsl, urlsplit

Scheme = Literal["udp", "bare-udp", "tcp"]
USUAL_PORT = 52381  # of VISCA over IP; where bare messages go, nobody has agreed upon
USUAL_BAUD = 9600
BAUDS = (1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200)
MOST_IN_A_CHAIN = 7
WAYS = (
    "write it as udp://HOST:PORT (VISCA over IP), tcp://HOST:PORT or bare-udp://HOST:PORT (bare messages), or "
    "serial:/dev/ttyUSB0?address=1"
)


@dataclass(frozen=True, slots=True)
class LinkAddress:
    """Where a camera listens on a network: to VISCA over IP (`udp`), or to bare messages."""

    host: str
    port: int
    scheme: Scheme = "udp"

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{self.scheme}://{host}:{self.port}"


@dataclass(frozen=True, slots=True)
class SerialAddress:
    """The place of a camera in the chain on a serial port, 1 to 7 counted from the computer."""

    device: str
    place: int = 1
    baud: int = USUAL_BAUD
    cameras: int | None = None  # how many belong on the port, where that is said

    def __str__(self) -> str:
        baud = "" if self.baud == USUAL_BAUD else f"&baud={self.baud}"
        cameras = "" if self.cameras is None else f"&cameras={self.cameras}"
        return f"serial:{self.device}?address={self.place}{baud}{cameras}"


Address = LinkAddress | SerialAddress


def parse_link(text: str) -> Address:
    """Read a link as a person writes it. Raises ValueError with a sentence that helps."""
    if text.startswith("serial:"):
        return _serial(text)
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise ValueError(f"the link {text!r} has no valid port (1 to 65535): {WAYS}") from None
    scheme: Scheme
    match parts.scheme:
        case "udp" | "bare-udp" | "tcp" as scheme if "//" in text:
            pass
        case _:
            raise ValueError(f"the link {text!r} starts with no kind of link: {WAYS}")
    if not parts.hostname or parts.path or parts.query or parts.fragment or parts.username:
        raise ValueError(f"the link {text!r} is not a host and a port: {WAYS}")
    try:
        parts.hostname.encode("idna")
    except UnicodeError as error:
        raise ValueError(f"the link {text!r} names a host that there can't be ({error}): {WAYS}") from None
    if port == 0:
        raise ValueError(f"the link {text!r} has port 0: {WAYS}")
    if port is None and scheme != "udp":
        raise ValueError(
            f"the link {text!r} has no port, and {scheme} has no usual one; the camera's menu or manual tells it: "
            f"write it behind the host, such as {scheme}://{parts.hostname}:5678"
        )
    return LinkAddress(parts.hostname, port or USUAL_PORT, scheme)


def _serial(text: str) -> SerialAddress:
    device, question, query = text.removeprefix("serial:").partition("?")
    example = "write it as serial:/dev/ttyUSB0?address=1"
    if not device.startswith("/") or device.startswith("//") or "#" in text or "\0" in text:
        raise ValueError(f"the link {text!r} names no serial device by its whole path: {example}")
    given = parse_qsl(query, keep_blank_values=True)
    options = dict(given)
    unknown = [name for name in options if name not in ("address", "baud", "cameras")]
    if unknown or len(options) != len(given) or (question and not given):
        raise ValueError(
            f"the link {text!r} says {unknown[0] if unknown else 'something twice, or nothing'} behind its question "
            f"mark; there may stand address, baud and cameras, each once: {example}&baud={USUAL_BAUD}&cameras=3"
        )
    place, baud = options.get("address", "1"), options.get("baud", str(USUAL_BAUD))
    cameras = options.get("cameras", place)
    if not place.isdecimal() or not 1 <= int(place) <= MOST_IN_A_CHAIN:
        raise ValueError(f"the link {text!r} has no address from 1 to {MOST_IN_A_CHAIN} in the chain: {example}")
    if not baud.isdecimal() or int(baud) not in BAUDS:
        raise ValueError(f"the link {text!r} has no usual baud rate ({', '.join(map(str, BAUDS))}): {example}")
    if not cameras.isdecimal() or not int(place) <= int(cameras) <= MOST_IN_A_CHAIN:
        raise ValueError(
            f"the link {text!r} has no number of cameras from its own address {place} to {MOST_IN_A_CHAIN}: say how "
            f"many stand in the chain: {example}&cameras=3"
        )
    return SerialAddress(device, int(place), int(baud), int(cameras) if "cameras" in options else None)
