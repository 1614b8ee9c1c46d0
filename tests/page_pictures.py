"""Make the README's pictures of the page: `python tests/page_pictures.py [FOLDER]`, tests/pictures by default.

A simulated evening in the old granary, before a real browser.
"""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

from page_theatre import Theatre, open_before_a_page, open_browser
from playwright.async_api import Page

SIZES = {"show": (1366, 900), "set-up": (1366, 820), "tablet": (820, 1100), "trouble": (1366, 700)}
VISITED = {
    "gallery": ("house", "soloist", "choir-wide"),
    "left": ("sopranos", "soloist", "conductor"),
    "right": ("basses", "hands", "piano"),
}
SEEN_SECONDS = 1.5  # in which a still is taken and shown


async def visit(theatre: Theatre, camera: str) -> None:
    """Go through a camera's positions, so that each has its still."""
    for position in VISITED[camera]:
        await theatre.say(f"camera/{camera}/recall", {"position": position, "speed": 24})
        await theatre.until_at_rest(camera, position)
        await asyncio.sleep(SEEN_SECONDS)


async def pictures(folder: Path) -> None:
    async with open_before_a_page() as theatre, open_browser() as browser:
        for camera in VISITED:
            await theatre.say(f"camera/{camera}/tally", {"tally": "off"})
        await theatre.until(lambda: all(state["tally"] == "off" for state in theatre.states.values()))
        await asyncio.gather(*(visit(theatre, camera) for camera in VISITED))
        await theatre.say("camera/right/tally", {"tally": "program"})

        async def taken(name: str, page: Page) -> None:
            width, height = SIZES[name]
            await page.set_viewport_size({"width": width, "height": height})
            await asyncio.sleep(SEEN_SECONDS)
            await page.screenshot(path=folder / f"{name}.jpg", type="jpeg", quality=70)

        page = await browser.new_page()
        await page.goto(theatre.address)
        await page.get_by_role("button", name="left").click()
        await taken("show", page)
        await taken("tablet", page)
        await page.get_by_role("button", name="Set-up").click()
        await page.get_by_role("button", name="gallery").click()
        await taken("set-up", page)
        await theatre.say("camera/left/lock", {"by": "the rigger", "reason": "a new bond on the lens"})
        await page.get_by_role("button", name="Show").click()
        await page.get_by_role("button", name="1 conductor").click()
        await page.get_by_role("button", name="Trouble").click()
        await taken("trouble", page)


if __name__ == "__main__":
    asyncio.run(pictures(Path(sys.argv[1] if len(sys.argv) > 1 else "tests/pictures")))
