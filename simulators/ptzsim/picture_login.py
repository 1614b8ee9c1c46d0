"""Who may see a simulated camera's picture: nobody without the login, basic (RFC 7617) or digest (RFC 7616)."""

from __future__ import annotations

import base64
import hashlib
import hmac
import random
import re
from dataclasses import dataclass
from typing import Literal

REALM = "simulated cameras"
_FIELD = re.compile(r'(\w+)=(?:"([^"]*)"|([^\s,]+))')


@dataclass(frozen=True, slots=True)
class Login:
    """A name and a password, and how they are asked for."""

    kind: Literal["basic", "digest"]
    name: str
    password: str

    @classmethod
    def parse(cls, text: str) -> Login:
        """Read KIND:NAME:PASSWORD. Raises ValueError with a sentence that leaves the password out."""
        kind, _, rest = text.partition(":")
        name, colon, password = rest.partition(":")
        if kind in ("basic", "digest") and name and colon:
            return cls("basic" if kind == "basic" else "digest", name, password)
        raise ValueError("this is no login: write it as basic:NAME:PASSWORD or digest:NAME:PASSWORD")


class Door:
    """Asks for a login, and lets in who has it. A nonce is good for as long as the door is."""

    def __init__(self, login: Login, rng: random.Random) -> None:
        self._login = login
        self._nonce = f"{rng.getrandbits(128):032x}"

    @property
    def asks(self) -> str:
        """What `WWW-Authenticate` says."""
        if self._login.kind == "basic":
            return f'Basic realm="{REALM}", charset="UTF-8"'
        return f'Digest realm="{REALM}", qop="auth", algorithm=SHA-256, nonce="{self._nonce}"'

    def lets_in(self, method: str, authorization: str | None) -> bool:
        """Whether an `Authorization` header, which may be missing, holds the login."""
        scheme, _, rest = (authorization or "").partition(" ")
        if scheme.lower() != self._login.kind:
            return False
        if self._login.kind == "basic":
            right = base64.b64encode(f"{self._login.name}:{self._login.password}".encode()).decode()
            return hmac.compare_digest(right, rest.strip())
        said = {key: quoted or bare for key, quoted, bare in _FIELD.findall(rest)}
        if said.get("username") != self._login.name or said.get("nonce") != self._nonce:
            return False
        secret = _sha256(f"{self._login.name}:{REALM}:{self._login.password}")
        request = _sha256(f"{method}:{said.get('uri', '')}")
        middle = ":".join(said.get(key, "") for key in ("nonce", "nc", "cnonce", "qop"))
        return hmac.compare_digest(_sha256(f"{secret}:{middle}:{request}"), said.get("response", ""))


def _sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
