"""A link as it is written in the configuration: `udp://127.0.0.1:52381`."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import urlsplit


@dataclass(frozen=True, slots=True)
class LinkAddress:
    """Where a camera listens."""

    host: str
    port: int

    def __str__(self) -> str:
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"udp://{host}:{self.port}"


def parse_link(text: str) -> LinkAddress:
    """Read `udp://HOST:PORT`; the port may be left out (52381). Raises ValueError with a sentence that helps."""
    wanted = "write it as udp://HOST:PORT, such as udp://127.0.0.1:52381"
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        raise ValueError(f"the link {text!r} has no valid port (1 to 65535): {wanted}") from None
    if parts.scheme != "udp":
        raise ValueError(f"the link {text!r} does not start with udp://: {wanted}")
    if not parts.hostname or parts.path or parts.query or parts.fragment or parts.username:
        raise ValueError(f"the link {text!r} is not a host and a port: {wanted}")
    if port == 0:
        raise ValueError(f"the link {text!r} has port 0: {wanted}")
    return LinkAddress(parts.hostname, port or 52381)
