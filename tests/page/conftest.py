"""A real browser before a real daemon, with simulated cameras that answer on this computer."""

from __future__ import annotations

import asyncio
import os
import shutil
from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from page_theatre import Theatre
from playwright.async_api import Browser, BrowserContext, Page, async_playwright

from ptzd.cli.client import reach
from ptzd.cli.commands.demo_ports import free_tcp_port
from ptzd.cli.commands.demo_setup import open_theatre, wait_until_up

# Nothing of the browser's own is to reach for a network.
AT_HOME = (
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"),
    *("--disable-component-update", "--disable-sync"),
)


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def theatre() -> AsyncIterator[Theatre]:
    page_port = free_tcp_port()
    async with open_theatre(free_tcp_port(), page_port) as broker, reach(broker) as client:
        await wait_until_up(client)
        theatre = Theatre(page_port, client)
        hearing = asyncio.create_task(theatre.listen())
        await theatre.until(lambda: len(theatre.states) == 3)
        yield theatre
        hearing.cancel()


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    chromium = shutil.which("chromium")
    if chromium is None:
        if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
            pytest.fail("chromium is not installed, and PTZD_REQUIRE_TOOLS=1 wants it")
        pytest.skip("chromium is not installed")
    async with async_playwright() as playwright:
        browser = await playwright.chromium.launch(executable_path=chromium, args=AT_HOME)
        yield browser
        await browser.close()


@pytest_asyncio.fixture(loop_scope="module")
async def context(browser: Browser) -> AsyncIterator[BrowserContext]:
    context = await browser.new_context(viewport={"width": 1366, "height": 900})
    context.set_default_timeout(5000)
    yield context
    await context.close()


@pytest_asyncio.fixture(loop_scope="module")
async def page(context: BrowserContext, theatre: Theatre) -> AsyncIterator[Page]:
    """The page, open and connected; it must have said nothing wrong of itself when the test is over."""
    page = await context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if said.type == "error" else None)
    await page.goto(theatre.address)
    await page.get_by_role("heading", name="gallery").wait_for()
    yield page
    assert wrong == []
