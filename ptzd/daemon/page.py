"""The operator's page and the daemon: what is said to the bus is said to open pages too, and what they ask is done."""

from __future__ import annotations

import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

import structlog

from ptzd.bus import Bus, Incoming
from ptzd.bus.commands import StopCommand
from ptzd.bus.topics import CommandTopic, Topics
from ptzd.config import Config, PageConfig
from ptzd.page import Access, Guest, Hub
from ptzd.refusal import Refusal

from .daemon import Daemon
from .setup import StartError, secret_in

if TYPE_CHECKING:
    from ptzd.page.server import Asker, Pictures

MOMENTARY_SECONDS = 0.5  # how old a drive or a nudge may be: as long as a drive lasts
LEAST_KEY = 16  # characters; a key that is shorter can be guessed

log = structlog.get_logger()


class Overheard:
    """A bus whose every word `hub` hears too, whether or not a broker is there."""

    def __init__(self, bus: Bus, hub: Hub) -> None:
        self._bus = bus
        self._hub = hub
        self._below = len(bus.topics.base) + 1

    @property
    def topics(self) -> Topics:
        return self._bus.topics

    @property
    def connected(self) -> bool:
        return self._bus.connected

    @property
    def asks_anew(self) -> bool:
        return self._bus.asks_anew

    async def hold(self) -> None:
        await self._bus.hold()

    def publish(self, topic: str, payload: bytes, *, retain: bool = False, correlation: bytes | None = None) -> None:
        self._bus.publish(topic, payload, retain=retain, correlation=correlation)
        if self.topics.contains(topic):  # an answer that MQTT 5 wants elsewhere has been said here as well
            self._hub.say(topic[self._below :], payload.decode(), retain=retain)

    def __aiter__(self) -> AsyncIterator[Incoming]:
        return aiter(self._bus)


def asker(daemon: Daemon, topics: Topics, late_after_seconds: float) -> Asker:
    """Return what does as the page is asked: stops and locks always, all else while it is meant and `daemon` serves.

    Who may only look may stop cameras all the same: whoever sees danger is to end it.
    """

    def ask(guest: Guest, topic: str, payload: bytes, age_seconds: float) -> Refusal | None:
        whole = f"{topics.base}/{topic}"
        found = topics.parse(whole)
        command = found.command if isinstance(found, CommandTopic) else None
        momentary, only_asks = command is not None and command.momentary, command is not None and command.only_asks
        if not (guest.operates or only_asks or (command is not None and issubclass(command, StopCommand))):
            return Refusal("looks-only", f"{guest.name} may look only: enter with a key that operates")
        if command is None or not command.halts:
            limit = MOMENTARY_SECONDS if momentary else late_after_seconds
            if age_seconds > limit:
                daemon.push_unheard(whole)
                return Refusal("late", f"this may be older than {limit:g} s, since the connection was bad: ask anew")
            if not daemon.serving:
                return Refusal("ending", "the daemon is coming to its end; ask again when it is back")
        if not (momentary or only_asks):  # the former come many a second
            log.info("asked for on the page", who=guest.name, topic=topic)
        daemon.handle(Incoming(whole, payload))
        return None

    return ask


@asynccontextmanager
async def open_page(
    config: Config, daemon: Daemon, hub: Hub, topics: Topics, pictures: Pictures
) -> AsyncIterator[None]:
    """Serve the page of a configuration, if it has one, for as long as the context lasts. Raises StartError."""
    page = config.page
    if page is None:
        yield
        return
    from ptzd.page.server import PageError, serve_page

    ask = asker(daemon, topics, config.recall.late_after_seconds)
    try:
        async with serve_page(
            hub, ask, pictures, _access(page), host=page.host, port=page.port, tls=_tls(page)
        ) as address:
            log.info("the page is open", address=address)
            yield
    except PageError as error:
        raise StartError(str(error)) from None


def _access(page: PageConfig) -> Access:
    keys = {}
    for name, key in page.key.items():
        secret = secret_in(key.file, "key")
        if len(secret) < LEAST_KEY:
            raise StartError(
                f"the key of {name} in {key.file} has {len(secret)} characters: write {LEAST_KEY} or more, drawn by lot"
            )
        keys[name] = (secret, Guest(name, operates=key.may == "operate"))
    return Access(keys, frozenset(page.hosts))


def _tls(page: PageConfig) -> ssl.SSLContext | None:
    if page.certificate_file is None:
        return None
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    try:
        context.load_cert_chain(page.certificate_file, page.certificate_key_file)
    except (OSError, ssl.SSLError) as error:
        raise StartError(f"{page.certificate_file} can't be used as certificate_file ({error})") from None
    return context
