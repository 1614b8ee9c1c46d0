"""The cue list on the page: a cue is written, rehearsed, taken out again, and all that without a mouse."""

from __future__ import annotations

import asyncio
import re

import pytest
from axe_playwright_python.async_playwright import Axe
from page_theatre import Theatre
from playwright.async_api import BrowserContext, Page

# W3C, Web Content Accessibility Guidelines 2.2, levels A and AA, as far as a program (axe-core) can tell.
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]

pytestmark = pytest.mark.asyncio(loop_scope="module")


async def press(page: Page, name: str) -> None:
    """Press a button by the keyboard."""
    await page.get_by_role("button", name=name, exact=True).focus()
    await page.keyboard.press("Enter")


async def tab_to(page: Page, text: str) -> None:
    for _ in range(30):
        await page.keyboard.press("Tab")
        if await page.evaluate("document.activeElement.textContent") == text:
            return
    raise AssertionError(f"{text} can't be reached by Tab")


async def test_a_cue_is_written_by_keyboard_from_what_stands_now(
    theatre: Theatre, page: Page, context: BrowserContext
) -> None:
    await theatre.open_with("off", position="house")  # the last cue would leave it in choir-wide, and on air
    other = await context.new_page()
    await other.goto(theatre.address)
    await page.bring_to_front()
    await press(page, "Cues")
    await page.get_by_role("article", name="Cue 8").wait_for()
    await press(page, "New cue from what stands now…")
    await page.get_by_role("form", name="New cue").wait_for()
    assert await page.evaluate("document.activeElement.value") == "9", "the next number that is free"
    for typed in ("", "The house once more", "after", "15", "gallery"):  # number, label, when, seconds, take
        await page.keyboard.type(typed)
        await page.keyboard.press("Tab")
    await page.get_by_label("on air, leaves with the cue").focus()
    await page.keyboard.press("g")  # it runs no cue while one is written
    await page.get_by_text("With the cue as it is written here, not yet saved").wait_for()
    await page.get_by_role("form", name="New cue").get_by_text("gallery is on air from cue 8").wait_for()
    await tab_to(page, "Save the new cue")
    await page.keyboard.press("Enter")

    await other.get_by_role("button", name="Cues").click()
    for each in (page, other):
        cue = each.get_by_role("article", name="Cue 9")
        await cue.get_by_text("The house once more").wait_for()
        await cue.get_by_text("15 s after the cue before").wait_for()
        await cue.get_by_text("takes gallery").wait_for()
        await cue.get_by_text("gallery to house before the cue").wait_for()
        await cue.get_by_text("gallery is on air from cue 8").wait_for()  # what does not fit in it
    assert await page.get_by_text("was run last").count() == 0

    assert await page.evaluate("""() => new Promise(done => {
        new MutationObserver((_, watch) => {
            const field = document.querySelector("form.cue-editor select");
            if (!field) return;
            watch.disconnect();
            field.focus();
            setTimeout(() => done(document.activeElement === field), 500);
        }).observe(document.body, {subtree: true, childList: true});
        document.querySelector('[aria-label="Edit cue 9"]').click();
    })"""), "who has gone on to another field was taken back to the first"
    await page.get_by_label("Takes").focus()
    await page.keyboard.type("left")
    await tab_to(page, "Save")
    await page.keyboard.press("Enter")
    await cue.get_by_text("takes left").wait_for()
    await press(page, "Undo: write cue 9 as it was")
    await cue.get_by_text("takes gallery").wait_for()

    await press(page, "Delete cue 9")
    await page.get_by_role("article", name="Cue 9").wait_for(state="detached")
    await press(page, "Undo: bring cue 9 back")
    await page.get_by_role("article", name="Cue 9").get_by_text("15 s after the cue before").wait_for()
    await press(page, "Delete cue 9")
    await other.get_by_role("article", name="Cue 9").wait_for(state="detached")


async def test_what_can_not_be_written_is_said_in_the_editor_and_the_draft_stays(page: Page) -> None:
    await press(page, "Cues")
    await press(page, "New cue after cue 2")
    form = page.get_by_role("form", name="New cue")
    await form.get_by_label("Number").fill("3")
    await page.keyboard.press("Enter")
    await form.get_by_role("alert").get_by_text("there is a cue 3 already").wait_for()
    await form.get_by_label("Number").fill("2.5")
    await form.get_by_label("Comes").select_option("at")
    await form.get_by_role("textbox", name="Time").fill("0:00:01")
    await page.keyboard.press("Enter")
    await form.get_by_role("alert").get_by_text("can't come before the one before it").wait_for()
    await press(page, "Add a move")
    await page.set_viewport_size({"width": 360, "height": 800})
    found = await Axe().run(page, options={"runOnly": {"type": "tag", "values": TAGS}})
    assert [(each["id"], [node["html"][:120] for node in each["nodes"]]) for each in found.response["violations"]] == []
    assert await page.evaluate("document.documentElement.scrollWidth <= innerWidth"), "it must be scrolled sideways"
    await press(page, "Leave it as it was")
    await form.wait_for(state="detached")
    assert await page.get_by_role("article").count() == 8


GO_AND_GO_AGAIN = """async () => {
    const { known } = await import("/static/known.js");
    const go = document.querySelector(".go");
    go.click();
    while (known.cue.next.number === "1") await new Promise((done) => setTimeout(done, 1));
    go.click();
}"""


async def test_a_second_go_within_a_double_click_runs_no_second_cue_and_that_is_told(
    theatre: Theatre, page: Page
) -> None:
    await theatre.open_with("off", position="house")
    await theatre.say("cue/jump", {"number": 1})
    await page.get_by_role("region", name="Next").get_by_text("The house fills").wait_for()
    await page.evaluate(GO_AND_GO_AGAIN)
    await page.get_by_role("status").get_by_text("go came right after that of cue 1 and did not count").wait_for()
    assert theatre.standing[-1] == "1"


@pytest.mark.parametrize(("button", "number", "then"), [("Go", 1, "1"), ("Back", 4, "2")])
async def test_a_button_is_pressed_once_by_enter_however_long_that_is_held(
    theatre: Theatre, page: Page, button: str, number: int, then: str
) -> None:
    await theatre.open_with("off", position="house")
    await theatre.say("cue/jump", {"number": number})
    await page.locator(".next b", has_text=re.compile(f"^{number}$")).wait_for()
    await page.locator(".deeds button", has_text=button).focus()
    for _ in range(3):
        await page.keyboard.down("Enter")  # each but the first is a repeat
        await asyncio.sleep(0.35)
    await page.keyboard.up("Enter")
    assert theatre.standing[-1] == then


@pytest.mark.usefixtures("by_touch_too")
async def test_a_cue_is_made_the_next_and_who_must_be_where_for_it_is_told(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off", position="house")
    await press(page, "Cues")
    await press(page, "Make cue 7 next")
    await page.get_by_role("article", name="Cue 7").get_by_text("▷ next").wait_for()
    upcoming = page.get_by_role("region", name="Next")
    await upcoming.locator(".not-ready", has_text="right to hands").wait_for()
    await press(page, "Make cue 1 next")
    await upcoming.locator(".where", has_text="✓ gallery in house").wait_for()
