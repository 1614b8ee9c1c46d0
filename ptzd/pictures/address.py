"""Where a camera's picture is to be had, as it is written in the configuration: `http://127.0.0.1:8081/left.jpg`."""

from __future__ import annotations

from dataclasses import dataclass, field
from urllib.parse import urlsplit

LONGEST_URL = 500  # characters


@dataclass(frozen=True, slots=True)
class PictureAddress:
    """An address, and the login that it may need."""

    url: str
    username: str | None = None
    password: str | None = field(default=None, repr=False)


def checked_url(text: str) -> str:
    """Return an address of a picture as it is. Raises ValueError with a sentence that helps."""
    wanted = "write it as http://HOST:PORT/NAME.jpg, as the camera's manual has it"
    try:
        parts = urlsplit(text)
        right = parts.scheme in ("http", "https") and parts.hostname and parts.port != 0
    except ValueError:
        right = False
    if "@" in text.partition("://")[2].partition("/")[0]:
        raise ValueError("a login has no place in the address; write picture_username and picture_password_file")
    if not right or not text.isprintable() or " " in text or len(text) > LONGEST_URL:
        raise ValueError(f"this is no address of a picture over HTTP: {wanted}")
    return text
