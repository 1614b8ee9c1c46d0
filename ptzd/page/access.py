"""Who may open the page and who may move cameras with it: keys under names, a cookie, and where a request comes from.

A cookie holds no key and needs no memory of the daemon's: it is the name, and a code that only the key brings (RFC
2104).
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

COOKIE = "ptzd-page"
_PURPOSE = b"ptzd page"


@dataclass(frozen=True, slots=True)
class Guest:
    """Somebody at a page: under which name, and whether they may do more than look."""

    name: str
    operates: bool


@dataclass(frozen=True, slots=True)
class Access:
    """Who gets in. `keys` holds a secret text and a guest for each name; without keys all who reach the page operate.

    `hosts` are the names under which a browser may reach the page, beside this computer's own and any plain address: a
    stranger's page that has its own name resolve to this computer (DNS rebinding) has another.
    """

    keys: Mapping[str, tuple[str, Guest]]
    hosts: frozenset[str] = frozenset()

    def host_is_known(self, host: str | None) -> bool:
        """Whether the `Host` of a request is one of this page's."""
        try:
            name = urlsplit(f"//{host or ''}").hostname or ""
            if name != "localhost" and name not in self.hosts:
                ipaddress.ip_address(name)
        except ValueError:
            return False
        return True

    def same_origin(self, origin: str | None, host: str | None) -> bool:
        """Whether a page that asks for something is this daemon's own: its `Origin` is where the request goes to."""
        return origin in (f"http://{host}", f"https://{host}")

    def with_key(self, key: str) -> Guest | None:
        """Return who has this key. All are compared, so that the time tells nothing."""
        found = [guest for secret, guest in self.keys.values() if hmac.compare_digest(secret.encode(), key.encode())]
        return found[0] if found else None

    def with_cookie(self, cookie: str | None) -> Guest | None:
        """Return who this cookie was given to; without keys, everybody is somebody at this computer."""
        if not self.keys:
            return Guest("the page", operates=True)
        name, _, code = (cookie or "").partition(":")
        if name not in self.keys:
            return None
        _, guest = self.keys[name]
        return guest if hmac.compare_digest(self.cookie(guest), f"{name}:{code}") else None

    def cookie(self, guest: Guest) -> str:
        """Return the cookie for a guest who came with a key."""
        secret, _ = self.keys[guest.name]
        return f"{guest.name}:{hmac.new(secret.encode(), _PURPOSE, hashlib.sha256).hexdigest()}"
