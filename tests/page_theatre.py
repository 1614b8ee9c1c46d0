"""A whole production before a page: what its daemon says, and a network that can be cut."""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pytest

from ptzd.cli.client import CUE_STATE, Client, reach
from ptzd.cli.commands.demo_ports import free_tcp_port
from ptzd.cli.commands.demo_setup import open_theatre, wait_until_up

if TYPE_CHECKING:
    from playwright.async_api import Browser, BrowserContext, Route

# Nothing of the browser's own is to reach for a network.
AT_HOME = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@dataclass
class Cut:
    """A piece of network between a browser and the page. It can be cut: what is under way then comes later."""

    port: int
    whole: asyncio.Event = field(default_factory=asyncio.Event)


class Theatre:
    """The page's port, and what the daemon says on its bus."""

    def __init__(self, port: int, client: Client) -> None:
        self.port = port
        self.states: dict[str, dict[str, Any]] = {}
        self.moves: list[dict[str, Any]] = []
        self.standing: list[str | None] = []  # the cues, one after the other
        self._client = client
        self._more = asyncio.Event()

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    async def listen(self) -> None:
        """Hear until cancelled."""
        await self._client.listen(["camera/+/state", "camera/+/move", CUE_STATE])
        while True:
            heard = await self._client.receive()
            if heard.camera is not None and heard.topic.endswith("/state"):
                self.states[heard.camera] = dict(heard.payload)
            elif heard.topic.endswith("/move"):
                self.moves.append(dict(heard.payload))
            elif heard.topic == CUE_STATE:
                cue = heard.payload["standing"]
                self.standing.append(None if cue is None else cue["number"])
            self._more.set()

    async def say(self, topic: str, payload: Mapping[str, object]) -> str:
        """Send a command, as somebody else than the page; return its id."""
        return await self._client.publish(topic, payload)

    async def until(self, holds: Callable[[], object], seconds: float = 15.0) -> None:
        """Return once something holds; fails where it does not come to that."""
        async with asyncio.timeout(seconds):
            while not holds():
                self._more.clear()
                await self._more.wait()

    async def until_at_rest(self, camera: str, position: str | None = None) -> None:
        """Return once a camera stands, in a position where one is named."""

        def rests() -> bool:
            state = self.states.get(camera, {})
            return state.get("activity") == "at-rest" and position in (None, state["position"])

        await self.until(rests)

    async def open_with(self, tally: str, camera: str = "gallery", position: str = "choir-wide") -> None:
        """Begin a test: with the camera in a position, nobody else on air, and this tally on it."""
        for name in self.states:
            await self.say(f"camera/{name}/tally", {"tally": "off"})
        await self.until(lambda: all(state["tally"] == "off" for state in self.states.values()))
        sent = await self.say(f"camera/{camera}/recall", {"position": position})
        await self.until(lambda: any((move["id"], move["phase"]) == (sent, "settled") for move in self.moves))
        await self.until_at_rest(camera, position)
        await self.say(f"camera/{camera}/tally", {"tally": tally})
        await self.until(lambda: self.states[camera]["tally"] == tally)
        self.moves.clear()


@asynccontextmanager
async def cuttable(to_port: int) -> AsyncIterator[Cut]:
    """Pass bytes on between a free port and another, while the network is whole."""
    cut = Cut(free_tcp_port())
    cut.whole.set()
    tasks: set[asyncio.Task[None]] = set()
    ends: list[asyncio.StreamWriter] = []

    async def carry(from_: asyncio.StreamReader, to: asyncio.StreamWriter) -> None:
        try:
            while data := await from_.read(65536):
                await cut.whole.wait()
                to.write(data)
                await to.drain()
        except ConnectionError:
            pass
        finally:
            to.close()

    async def connected(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        ends.append(writer)
        there, back = await asyncio.open_connection("127.0.0.1", to_port)
        ends.append(back)
        for task in (asyncio.create_task(carry(reader, back)), asyncio.create_task(carry(there, writer))):
            tasks.add(task)
            task.add_done_callback(tasks.discard)

    server = await asyncio.start_server(connected, "127.0.0.1", cut.port)
    try:
        yield cut
    finally:
        server.close()
        for task in list(tasks):
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for end in ends:
            end.transport.abort()
        await asyncio.sleep(0)  # a transport that was told to close does so in the next turn of the loop


@asynccontextmanager
async def open_before_a_page() -> AsyncIterator[Theatre]:
    """The demo's production, without its evening."""
    page_port = free_tcp_port()
    async with open_theatre(free_tcp_port(), page_port) as broker, reach(broker) as client:
        await wait_until_up(client)
        theatre = Theatre(page_port, client)
        hearing = asyncio.create_task(theatre.listen())
        await theatre.until(lambda: len(theatre.states) == 3)
        yield theatre
        hearing.cancel()


async def look_seldom(context: BrowserContext) -> None:
    """Let pictures come twice a second: to draw and to show more costs these tests half of their time."""

    async def later(route: Route) -> None:
        await asyncio.sleep(0.4)
        with suppress(Error):  # the page may be gone by then
            await route.continue_()

    from playwright.async_api import Error

    await context.route("**/picture/**", later)


@asynccontextmanager
async def open_browser() -> AsyncIterator[Browser]:
    """Chromium without a window. Without it the test is skipped, or fails where PTZD_REQUIRE_TOOLS=1."""
    from playwright.async_api import async_playwright

    chromium = shutil.which("chromium")
    if chromium is None:
        if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
            pytest.fail("chromium is not installed, and PTZD_REQUIRE_TOOLS=1 wants it")
        pytest.skip("chromium is not installed")
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium, args=AT_HOME)
        yield browser
        await browser.close()
