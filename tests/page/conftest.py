"""A real browser before a real daemon, with simulated cameras that answer on this computer."""

from __future__ import annotations

from collections.abc import AsyncIterator

import pytest
import pytest_asyncio
from page_theatre import Theatre, look_seldom, open_before_a_page, open_browser
from playwright.async_api import Browser, BrowserContext, Locator, Page


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def theatre() -> AsyncIterator[Theatre]:
    async with open_before_a_page() as theatre:
        yield theatre


@pytest_asyncio.fixture(scope="module", loop_scope="module")
async def browser() -> AsyncIterator[Browser]:
    async with open_browser() as browser:
        yield browser


@pytest_asyncio.fixture(loop_scope="module")
async def context(browser: Browser) -> AsyncIterator[BrowserContext]:
    context = await browser.new_context(viewport={"width": 1366, "height": 900}, has_touch=True)
    context.set_default_timeout(15000)
    await look_seldom(context)
    yield context
    await context.close()


@pytest.fixture(params=["mouse", "touch"])
def by_touch_too(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """Do all that is clicked by mouse, and by touch as well."""
    if request.param == "touch":
        monkeypatch.setattr(Locator, "click", Locator.tap)


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
