"""What an operator does on the page, in a real browser, and what the cameras do of it."""

from __future__ import annotations

import asyncio
import json
import re
from collections.abc import Awaitable, Callable
from math import atan, degrees, radians, tan

import pytest
from page_theatre import Theatre, cuttable, look_seldom
from playwright.async_api import Browser, BrowserContext, CDPSession, Page, expect

pytestmark = pytest.mark.asyncio(loop_scope="module")

A_DRIVE_SECONDS = 0.5  # in which a drive ends that is not renewed
READ_SECONDS = 0.6  # in which the daemon has read, and told, where a camera stands


async def by_mouse(page: Page) -> None:
    await page.get_by_role("button", name="2 house").click()


async def by_digit(page: Page) -> None:
    await page.keyboard.press("2")


async def by_typed_number(page: Page) -> None:
    await page.keyboard.press("/")
    await page.keyboard.type("2\n")


async def by_typed_name(page: Page) -> None:
    await page.keyboard.press("/")
    await page.keyboard.type("house\n")


async def by_tab_and_enter(page: Page) -> None:
    await page.get_by_role("button", name="2 house").focus()
    await page.keyboard.press("Enter")


@pytest.mark.parametrize("way", [by_mouse, by_digit, by_typed_number, by_typed_name, by_tab_and_enter])
async def test_a_position_is_recalled(theatre: Theatre, page: Page, way: Callable[[Page], Awaitable[None]]) -> None:
    await theatre.open_with("off")
    await page.get_by_text("stands in choir-wide").wait_for()
    await way(page)
    await theatre.until_at_rest("gallery", "house")
    await page.get_by_text("stands in house").wait_for()


async def test_a_position_is_recalled_by_touch(theatre: Theatre, browser: Browser) -> None:
    await theatre.open_with("off")
    context = await browser.new_context(viewport={"width": 820, "height": 1180}, has_touch=True)
    page = await context.new_page()
    await page.goto(theatre.address)
    await page.get_by_role("button", name="2 house").tap()
    await theatre.until_at_rest("gallery", "house")
    await context.close()


NUMBERED = """async () => {
    const { hear, known } = await import("/static/known.js");
    const { changed, line } = await import("/static/desk.js");
    const positions = ["2", "3", "10", "choir"].map((name) => ({ ...known.positions.gallery[0], name }));
    hear("camera/gallery/positions", { positions });
    window.recalled = [];
    line.ask = async (topic, payload) => {
        if (topic.endsWith("/recall")) window.recalled.push(payload.position);
        return { ok: false };
    };
    changed();
}"""


async def test_a_position_whose_name_is_a_number_has_that_number_by_key_and_typed(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    await page.evaluate(NUMBERED)
    tiles = page.get_by_role("list", name="Positions of gallery").locator(".called")
    await expect(tiles).to_have_text(["2 2", "3 3", "10 10", "4 choir"])
    for keys in ("1", "2", "4", "/2\n", "/10\n", "/4\n"):
        await page.keyboard.type(keys)
    assert await page.evaluate("recalled") == ["2", "choir", "2", "10", "choir"]


async def test_its_time_is_foretold_before_it_leaves(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    tile = page.get_by_role("button", name="2 house")
    foretold = float((await tile.locator(".when", has_text=re.compile(r"^in [0-9.]+ s")).inner_text()).split()[1])
    await tile.click()
    await theatre.until(lambda: [move for move in theatre.moves if move["phase"] == "settled"])
    settled = next(move for move in theatre.moves if move["phase"] == "settled")
    assert foretold == pytest.approx(settled["predicted_seconds"], abs=0.06)


@pytest.mark.parametrize("consents", [True, False])
async def test_a_camera_on_air_moves_only_after_a_second_yes(theatre: Theatre, page: Page, consents: bool) -> None:
    await theatre.open_with("program")
    await page.get_by_text("● on air").wait_for()
    await page.keyboard.press("2")
    question = page.get_by_role("alertdialog", name="Move gallery on air?")
    await question.wait_for()
    assert theatre.moves == []
    await page.keyboard.press("y" if consents else "n")
    if consents:
        await theatre.until(lambda: any(move["phase"] == "slewing" for move in theatre.moves))
        await page.keyboard.press("Space")
    await question.wait_for(state="detached")
    await asyncio.sleep(READ_SECONDS)
    assert bool(theatre.moves) == consents
    await theatre.until_at_rest("gallery")


ANSWERS_LATE = """async () => {
    const { line } = await import("/static/desk.js");
    const ask = line.ask.bind(line);
    line.ask = async (topic, payload) => {
        const answer = await ask(topic, payload);
        if (topic.endsWith("/foresee")) await new Promise((done) => setTimeout(done, 500));
        return answer;
    };
}"""


@pytest.mark.parametrize("view", ["Cues", "Set-up"])
async def test_a_question_that_comes_when_another_view_is_open_already_is_not_asked_and_has_no_yes(
    theatre: Theatre, page: Page, view: str
) -> None:
    await theatre.open_with("program")
    await page.get_by_text("● on air").wait_for()
    await page.evaluate(ANSWERS_LATE)
    await page.keyboard.press("2")
    await page.get_by_role("button", name=view).click()
    await asyncio.sleep(0.8)
    assert await page.get_by_role("alertdialog").count() == 0
    await page.keyboard.press("y")
    await asyncio.sleep(READ_SECONDS)
    assert theatre.moves == []


@pytest.mark.parametrize("again", ["off", "program"])
async def test_a_question_is_taken_back_with_the_time_on_air_that_it_was_asked_in(
    theatre: Theatre, page: Page, again: str
) -> None:
    await theatre.open_with("program")
    await page.get_by_text("● on air").wait_for()
    await page.keyboard.press("2")
    question = page.get_by_role("alertdialog", name="Move gallery on air?")
    await question.wait_for()
    for tally in ("off", again):
        await theatre.say("camera/gallery/tally", {"tally": tally})
        await theatre.until(lambda tally=tally: theatre.states["gallery"]["tally"] == tally)  # type: ignore[misc]
    await question.wait_for(state="detached", timeout=2000)
    await page.keyboard.press("y")
    await asyncio.sleep(READ_SECONDS)
    assert theatre.moves == []


async def in_no_field(page: Page) -> None:
    pass


async def in_a_field_for_names(page: Page) -> None:
    await page.keyboard.press("/")
    await page.keyboard.type("hou")


async def on_a_button(page: Page) -> None:
    await page.get_by_role("button", name="3 soloist").focus()  # which it must not press


async def in_a_field_for_words(page: Page) -> None:
    await page.get_by_role("button", name="Trouble").click()
    await page.get_by_label("Why").first.fill("a hand in")
    await page.keyboard.type(" the yoke")
    assert await page.get_by_label("Why").first.input_value() == "a hand in the yoke"
    await page.keyboard.press("Escape")


@pytest.mark.parametrize("where", [in_no_field, in_a_field_for_names, on_a_button, in_a_field_for_words])
async def test_the_space_bar_stops_all_and_does_nothing_else(
    theatre: Theatre, page: Page, where: Callable[[Page], Awaitable[None]]
) -> None:
    await theatre.open_with("off")
    await page.keyboard.press("2")
    await theatre.until(lambda: any(move["phase"] == "slewing" for move in theatre.moves))
    await where(page)
    await page.keyboard.press("Space")
    await theatre.until(lambda: any(move["phase"] == "stopped" for move in theatre.moves), 2.0)
    await asyncio.sleep(READ_SECONDS)
    assert {move["position"] for move in theatre.moves} == {"house"}


async def test_keys_nudge_by_a_hundredth_of_the_picture_and_add_up(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    before = theatre.states["gallery"]
    await page.get_by_role("button", name="Set-up").click()
    for _ in range(3):
        await page.keyboard.press("ArrowRight")
    await page.keyboard.press("Shift+ArrowUp")
    # A pinhole: 1 % of the picture's width is 2 tan(view / 2) / 100 of the distance.
    await theatre.until(lambda: theatre.states["gallery"]["position"] is None)
    await theatre.until_at_rest("gallery")
    after = theatre.states["gallery"]
    width = before["view_width_deg"]
    assert after["pan_deg"] - before["pan_deg"] == pytest.approx(0.03 * width, abs=0.05 * 0.03 * width + 0.04)
    assert after["tilt_deg"] - before["tilt_deg"] == pytest.approx(0.05 * before["view_height_deg"], rel=0.06, abs=0.04)


class Finger:
    """Touches a page where Playwright's own touchscreen only taps: by the browser's protocol for developers."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self._session: CDPSession | None = None

    async def down(self, x: float, y: float) -> None:
        self._session = await self._page.context.new_cdp_session(self._page)
        await self._tell("touchStart", {"x": x, "y": y})

    async def to(self, x: float, y: float) -> None:
        await self._tell("touchMove", {"x": x, "y": y})

    async def up(self) -> None:
        await self._tell("touchEnd")

    async def _tell(self, kind: str, *points: dict[str, float]) -> None:
        assert self._session is not None
        await self._session.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": list(points)})


class Mouse:
    """The same with a mouse."""

    def __init__(self, page: Page) -> None:
        self._mouse = page.mouse

    async def down(self, x: float, y: float) -> None:
        await self._mouse.move(x, y)
        await self._mouse.down()

    async def to(self, x: float, y: float) -> None:
        await self._mouse.move(x, y, steps=3)

    async def up(self) -> None:
        await self._mouse.up()


@pytest.mark.parametrize("pointer", [Mouse, Finger])
@pytest.mark.parametrize(("to", "corner"), [((0.75, 0.4), None), ((0.55, 0.2), (0.95, 0.6))])
async def test_what_is_pointed_at_comes_to_the_middle_and_a_frame_fills_the_picture(
    theatre: Theatre,
    page: Page,
    to: tuple[float, float],
    corner: tuple[float, float] | None,
    pointer: type[Mouse | Finger],
) -> None:
    """Against a pinhole in the plane of pan: x half widths right of the middle lie atan(x tan(w / 2)) off."""
    await theatre.open_with("off")
    before = theatre.states["gallery"]
    await page.get_by_role("button", name="Set-up").click()
    surface = page.locator("svg.aims")
    box = await surface.bounding_box()
    assert box is not None
    hand = pointer(page)
    await hand.down(box["x"] + to[0] * box["width"], box["y"] + to[1] * box["height"])
    if corner is not None:
        await hand.to(box["x"] + corner[0] * box["width"], box["y"] + corner[1] * box["height"])
    await hand.up()
    await theatre.until(lambda: theatre.states["gallery"]["position"] is None)
    await theatre.until_at_rest("gallery")
    after = theatre.states["gallery"]
    half_width = tan(radians(before["view_width_deg"] / 2))
    middle = 2 * (to[0] if corner is None else (to[0] + corner[0]) / 2) - 1
    assert after["pan_deg"] - before["pan_deg"] == pytest.approx(degrees(atan(middle * half_width)), abs=0.15)
    part = 1 if corner is None else corner[0] - to[0]
    assert tan(radians(after["view_width_deg"] / 2)) == pytest.approx(part * half_width, rel=0.03)


@pytest.mark.usefixtures("by_touch_too")
async def test_a_position_is_stored_replaced_renamed_brought_back_and_deleted(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    await page.get_by_role("button", name="Set-up").click()
    await page.keyboard.press("Shift+ArrowUp")
    await theatre.until(lambda: theatre.states["gallery"]["position"] is None)
    await theatre.until_at_rest("gallery")
    await page.get_by_label("Name", exact=True).fill("beams")
    await page.get_by_label("Pace").select_option("seconds")
    await page.get_by_label("of", exact=True).fill("6")
    await page.get_by_label("Note").fill("above the choir")
    await page.get_by_role("button", name="Store what is seen").click()
    row = page.locator(".rows > li", has=page.locator(".called", has_text="beams"))
    await row.get_by_text("6 s").wait_for()
    await page.keyboard.press("Shift+ArrowUp")
    await theatre.until(lambda: theatre.states["gallery"]["position"] is None)
    await theatre.until_at_rest("gallery")
    await row.get_by_role("button", name="Replace…").click()
    await page.get_by_role("alertdialog", name="Replace beams?").get_by_role("button", name="Replace beams").click()
    await theatre.until_at_rest("gallery", "beams")
    await page.get_by_role("button", name="Undo: bring back the old beams").click()
    await theatre.until(lambda: theatre.states["gallery"]["position"] != "beams")
    await row.get_by_role("button", name="Rename…").click()
    await page.get_by_label("New name of beams").fill("")
    await page.get_by_label("New name of beams").press_sequentially("rafters", delay=60)  # the page is drawn meanwhile
    await page.keyboard.press("Enter")
    row = page.locator(".rows > li", has=page.locator(".called", has_text="rafters"))
    await row.get_by_role("button", name="History…").click()
    await row.get_by_role("button", name="Bring back").last.click()
    await row.get_by_role("button", name="Delete").click()
    await row.wait_for(state="detached")
    await page.get_by_role("button", name="Undo: bring rafters back").click()
    await row.get_by_role("button", name="Delete").click()
    await row.wait_for(state="detached")


@pytest.mark.usefixtures("by_touch_too")
async def test_a_position_that_is_seen_anew_aligns_all_and_that_is_undone(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    await page.get_by_role("button", name="Set-up").click()
    await page.keyboard.press("Shift+ArrowUp")
    await theatre.until(lambda: theatre.states["gallery"]["position"] is None)
    await theatre.until_at_rest("gallery")
    row = page.locator(".rows > li", has=page.locator(".called", has_text="choir-wide"))
    await row.get_by_role("button", name="Seen now").click()
    alignment = page.get_by_role("group", name="Alignment")
    await alignment.get_by_text("choir-wide seen +0.00° of pan, +").wait_for()
    await alignment.get_by_role("button", name="What does that tell of all positions?").click()
    await alignment.get_by_text("can't tell whether the head has rolled").wait_for()
    assert theatre.states["gallery"]["position"] is None, "nothing is written before it was looked at"
    await alignment.get_by_role("button", name="Write").click()
    await theatre.until_at_rest("gallery", "choir-wide")  # it did not move: the position came to where it stands
    await page.get_by_role("button", name="positions aligned").click()
    await theatre.until(lambda: theatre.states["gallery"]["position"] is None)


@pytest.mark.usefixtures("by_touch_too")
async def test_positions_are_put_into_another_order_and_back(theatre: Theatre, page: Page) -> None:
    await page.get_by_role("button", name="Set-up").click()
    await page.get_by_role("button", name="Move soloist up").click()
    await page.locator(".rows > li").nth(1).get_by_text("2 soloist").wait_for()
    await page.get_by_role("button", name="Undo: the order before").click()
    await page.locator(".rows > li").nth(2).get_by_text("3 soloist").wait_for()


async def test_since_when_a_camera_is_on_air_is_told_to_who_comes_later_too(
    theatre: Theatre, page: Page, context: BrowserContext
) -> None:
    await theatre.open_with("off")
    await theatre.open_with("program")
    await asyncio.sleep(2.1)
    later = await context.new_page()
    await later.goto(theatre.address)
    told = later.get_by_role("time").filter(has_text=re.compile("^0:0[2-9]$"))
    await told.wait_for(timeout=3000)
    await theatre.open_with("off")


@pytest.mark.usefixtures("by_touch_too")
async def test_a_camera_is_locked_with_who_and_why_and_unlocked(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    await page.get_by_role("button", name="Trouble").click()
    gallery = page.locator("article", has_text="gallery")
    await gallery.get_by_label("Who").fill("the rigger")
    await gallery.get_by_label("Why").fill("a hand in the yoke")
    await gallery.get_by_role("button", name="Stop and lock gallery").click()
    await gallery.get_by_text("⚠ locked by the rigger: a hand in the yoke").wait_for()
    await page.get_by_role("button", name="Show").click()
    await page.keyboard.press("2")
    await page.get_by_role("status").get_by_text("locked").wait_for()
    assert theatre.moves[-1]["phase"] == "refused"
    await theatre.until_at_rest("gallery", "choir-wide")
    await page.get_by_role("button", name="Trouble").click()
    await gallery.get_by_role("button", name="Take off the lock of the rigger").click()
    await theatre.until(lambda: theatre.states["gallery"]["locks"] == [])


async def test_what_a_camera_was_in_before_it_restarted_is_offered_and_not_done_unasked(
    theatre: Theatre, page: Page
) -> None:
    await theatre.open_with("off")
    await asyncio.sleep(READ_SECONDS)  # so that nothing truer is told later
    told = json.dumps(theatre.states["gallery"] | {"was_in": "house", "position": None})
    await page.evaluate(f"import('/static/known.js').then((known) => known.hear('camera/gallery/state', {told}))")
    await page.get_by_role("button", name="Trouble").click()
    await asyncio.sleep(READ_SECONDS)
    assert not theatre.moves
    await page.get_by_role("button", name="Recall house").click()
    await theatre.until_at_rest("gallery", "house")
    assert await page.get_by_role("button", name="Recall house").count() == 0


async def test_who_was_not_ready_for_a_go_or_was_left_behind_is_among_the_notices(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    told = {"camera": "gallery", "position": None, "code": "locked"}
    named = {"overtaken": [told | {"sentence": "it stays"}], "unready": [told | {"sentence": "it is locked"}]}
    result = {"cue": {"number": "3"}, "counted": True, **named}
    outcome = json.dumps({"topic": "ptzd/cue/go", "ok": True, "result": result})
    await page.evaluate(f"import('/static/known.js').then((known) => known.hear('outcome', {outcome}))")
    await page.get_by_role("button", name="Trouble").click()
    for sentence in ("it stays", "it is locked"):
        await page.get_by_role("listitem").get_by_text(sentence).wait_for()


async def test_two_operators_see_each_other_at_once(theatre: Theatre, page: Page, context: BrowserContext) -> None:
    await theatre.open_with("off")
    other = await context.new_page()
    await other.goto(theatre.address)
    await other.get_by_text("stands in choir-wide").wait_for()
    await page.bring_to_front()
    await page.get_by_role("button", name="2 house").click()
    await other.locator(".doing", has_text="to house").wait_for(timeout=2000)
    await theatre.until_at_rest("gallery", "house")


GAMEPAD = """
window.pad = {id: "pad", index: 0, connected: true, mapping: "standard", axes: [0, 0, 0, 0],
              buttons: Array.from({length: 17}, () => ({pressed: false, touched: false, value: 0}))};
navigator.getGamepads = () => [window.pad, null, null, null];
"""


@pytest.mark.parametrize(
    ("tally", "buttons", "moves"),
    [("off", [], False), ("off", [4], True), ("program", [4], False), ("program", [4, 5], True)],
)
async def test_a_gamepad_drives_the_chosen_camera_while_its_button_is_held(
    theatre: Theatre, context: BrowserContext, tally: str, buttons: list[int], moves: bool
) -> None:
    await theatre.open_with(tally)
    stood = theatre.states["gallery"]["pan_deg"]
    await context.add_init_script(GAMEPAD)
    page = await context.new_page()
    await page.goto(theatre.address)
    await page.get_by_text("stands in choir-wide").wait_for()
    await page.evaluate(
        "buttons => { for (const each of buttons) pad.buttons[each].pressed = true; pad.axes[0] = 1; }", buttons
    )
    if not moves:
        await asyncio.sleep(READ_SECONDS)
        assert theatre.states["gallery"]["position"] == "choir-wide"
        return
    await theatre.until(lambda: theatre.states["gallery"]["activity"] == "by-hand", 2.0)
    await asyncio.sleep(0.3)  # a head that is let go at once has hardly begun to move
    await page.evaluate("pad.buttons[4].pressed = false")
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.4)  # told, not run out
    await theatre.until_at_rest("gallery")
    assert theatre.states["gallery"]["pan_deg"] > stood  # to the right


async def held_stick(theatre: Theatre, page: Page, pointer: type[Mouse | Finger] = Mouse) -> Mouse | Finger:
    """Hold the stick of the page drawn to the right."""
    await page.get_by_role("button", name="Set-up").click()
    await page.get_by_text("stands in choir-wide").wait_for()
    await page.locator("svg.aims").wait_for()
    await page.locator(".plate").scroll_into_view_if_needed()
    box = await page.locator(".plate").bounding_box()
    assert box is not None
    hand = pointer(page)
    await hand.down(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    await hand.to(box["x"] + box["width"] * 0.9, box["y"] + box["height"] / 2)
    await theatre.until(lambda: theatre.states["gallery"]["activity"] == "by-hand", 2.0)
    return hand


@pytest.mark.parametrize("pointer", [Mouse, Finger])
async def test_a_stick_drives_until_it_is_let_go(theatre: Theatre, page: Page, pointer: type[Mouse | Finger]) -> None:
    await theatre.open_with("off")
    hand = await held_stick(theatre, page, pointer)
    await asyncio.sleep(2 * A_DRIVE_SECONDS)
    assert theatre.states["gallery"]["activity"] == "by-hand"
    await hand.up()
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.4)


async def by_the_keyboard(page: Page) -> None:
    await page.get_by_role("button", name="Cues").focus()
    await page.keyboard.press("Enter")


async def by_a_script(page: Page) -> None:
    await page.evaluate("document.querySelector('.plate').remove()")


@pytest.mark.parametrize("goes", [by_the_keyboard, by_a_script])
async def test_a_stick_that_is_no_more_on_the_page_drives_no_longer(
    theatre: Theatre, page: Page, goes: Callable[[Page], Awaitable[None]]
) -> None:
    await theatre.open_with("off")
    hand = await held_stick(theatre, page)
    await goes(page)
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.5)
    await hand.up()
    await theatre.until_at_rest("gallery")


async def test_a_gamepad_that_is_let_go_while_nothing_is_drawn_drives_no_longer(
    theatre: Theatre, context: BrowserContext
) -> None:
    await theatre.open_with("off")
    await context.add_init_script(GAMEPAD)
    page = await context.new_page()
    await page.goto(theatre.address)
    await page.get_by_text("stands in choir-wide").wait_for()
    await page.evaluate("pad.buttons[4].pressed = true; pad.axes[0] = 1")
    await theatre.until(lambda: theatre.states["gallery"]["activity"] == "by-hand", 2.0)
    await page.evaluate("window.requestAnimationFrame = () => 0")
    await asyncio.sleep(2 * A_DRIVE_SECONDS)
    assert theatre.states["gallery"]["activity"] == "by-hand"
    await page.evaluate("pad.buttons[4].pressed = false")
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.5)
    await theatre.until_at_rest("gallery")


@pytest.mark.parametrize("button", ["tighter, while held", "wider, while held"])
async def test_a_zoom_goes_on_while_its_button_is_held(theatre: Theatre, page: Page, button: str) -> None:
    await theatre.open_with("off")
    await page.get_by_role("button", name="Set-up").click()
    await page.get_by_text("stands in choir-wide").wait_for()
    zoom = page.get_by_role("button", name=button)
    await zoom.scroll_into_view_if_needed()
    before = theatre.states["gallery"]["zoom_counts"]
    await zoom.hover()
    await page.mouse.down()
    await theatre.until(lambda: theatre.states["gallery"]["activity"] == "by-hand", 2.0)
    await asyncio.sleep(2 * A_DRIVE_SECONDS)
    assert theatre.states["gallery"]["activity"] == "by-hand"
    await page.mouse.up()
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.5)
    await theatre.until_at_rest("gallery")
    assert (theatre.states["gallery"]["zoom_counts"] > before) is button.startswith("tighter")


async def test_a_page_that_is_left_drives_no_longer(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    await held_stick(theatre, page)
    await page.evaluate("window.dispatchEvent(new Event('blur'))")
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.4)


async def test_a_page_that_slept_does_not_drive_on_when_it_wakes(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    hand = await held_stick(theatre, page)
    slept = page.evaluate("() => { const end = Date.now() + 900; while (Date.now() < end); }")
    await asyncio.gather(slept, theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 0.9))
    await theatre.until_at_rest("gallery")
    stood = theatre.states["gallery"]["pan_counts"]
    await asyncio.sleep(READ_SECONDS)
    assert theatre.states["gallery"]["activity"] == "at-rest"
    assert theatre.states["gallery"]["pan_counts"] == pytest.approx(stood, abs=1)  # as a head at rest may be read
    await hand.up()


async def test_a_stick_that_is_held_is_let_go_when_its_camera_goes_on_air(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    hand = await held_stick(theatre, page)
    await theatre.say("camera/gallery/tally", {"tally": "program"})
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 1.0)
    await hand.up()


async def test_a_yes_to_drive_on_air_holds_for_that_time_on_air_alone(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("program")
    await page.get_by_role("button", name="Set-up").click()
    yes = page.get_by_label("gallery is on air: drive it all the same")
    await yes.check()
    await theatre.say("camera/gallery/tally", {"tally": "off"})
    await theatre.until(lambda: theatre.states["gallery"]["tally"] == "off")
    await theatre.say("camera/gallery/tally", {"tally": "program"})
    await theatre.until(lambda: theatre.states["gallery"]["tally"] == "program")
    await expect(yes).not_to_be_checked()
    await yes.check()
    hand = await held_stick(theatre, page)  # and it is so in mid-push
    await theatre.say("camera/gallery/tally", {"tally": "off"})
    await theatre.until(lambda: theatre.states["gallery"]["tally"] == "off")
    assert theatre.states["gallery"]["activity"] == "by-hand"
    await theatre.say("camera/gallery/tally", {"tally": "program"})
    await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", 1.0)
    await hand.up()
    await theatre.open_with("program")
    await expect(yes).not_to_be_checked()
    with pytest.raises(TimeoutError):
        await held_stick(theatre, page)
    await page.mouse.up()


async def test_a_fine_grip_is_shown_wherever_it_holds(theatre: Theatre, page: Page) -> None:
    await theatre.open_with("off")
    await page.get_by_role("button", name="Set-up").click()
    fine = page.get_by_label("fine grip")
    await fine.check()
    await page.get_by_role("button", name="Show").click()
    await page.get_by_role("button", name="Set-up").click()
    assert await fine.is_checked()


async def test_a_network_cut_in_a_drive_stops_the_head_and_what_comes_late_moves_nothing(
    theatre: Theatre, browser: Browser
) -> None:
    await theatre.open_with("off")
    async with cuttable(theatre.port) as cut:
        page = await browser.new_page(viewport={"width": 1366, "height": 768})
        await page.goto(f"http://127.0.0.1:{cut.port}/")
        await held_stick(theatre, page)
        cut.whole.clear()
        await theatre.until(lambda: theatre.states["gallery"]["activity"] != "by-hand", A_DRIVE_SECONDS + 0.1)
        await page.get_by_role("alert").get_by_text("Not connected").wait_for()
        await theatre.until_at_rest("gallery")
        theatre.moves.clear()
        stood = theatre.states["gallery"]["pan_counts"]
        cut.whole.set()  # all that was sent meanwhile comes now
        await asyncio.sleep(2 * READ_SECONDS)
        assert (theatre.states["gallery"]["activity"], theatre.states["gallery"]["pan_counts"]) == ("at-rest", stood)
        await page.mouse.up()
        await page.close()


async def test_a_move_that_began_while_the_network_was_cut_is_not_taken_for_the_one_before(
    theatre: Theatre, browser: Browser
) -> None:
    await theatre.open_with("off", position="house")
    async with cuttable(theatre.port) as cut:
        page = await browser.new_page(viewport={"width": 1366, "height": 768})
        await page.goto(f"http://127.0.0.1:{cut.port}/")
        doing = page.get_by_role("region", name="gallery").locator(".doing")
        for position in ("choir-wide", "house"):
            await theatre.say("camera/gallery/recall", {"position": position})
            await doing.get_by_text(f"stands in {position}").wait_for()
        cut.whole.clear()
        not_connected = page.get_by_role("alert").get_by_text("Not connected")
        await not_connected.wait_for()
        await theatre.say("camera/gallery/recall", {"position": "choir-wide", "speed": 1})
        await theatre.until(lambda: theatre.states["gallery"]["activity"] == "direct")
        cut.whole.set()
        await not_connected.wait_for(state="detached")
        await doing.get_by_text("to go").wait_for()
        assert "house" not in await doing.inner_text()
        await page.close()


WIDTH_WITH_LONG_NAMES = """names => {
    const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    while (texts.nextNode()) for (const name of names)
        texts.currentNode.data = texts.currentNode.data.replaceAll(name, "w".repeat(32));
    return document.documentElement.scrollWidth;
}"""


@pytest.mark.parametrize("width", [360, 820, 1366, 1920])
@pytest.mark.parametrize("view", ["Show", "Set-up", "Cues", "Trouble"])
async def test_each_view_is_open_to_all(theatre: Theatre, browser: Browser, view: str, width: int) -> None:
    """W3C, Web Content Accessibility Guidelines 2.2, levels A and AA, as far as a program (axe-core) can tell."""
    from axe_playwright_python.async_playwright import Axe

    context = await browser.new_context(viewport={"width": width, "height": 900})
    await look_seldom(context)
    page = await context.new_page()
    await page.goto(theatre.address)
    await page.get_by_role("button", name=view).click()
    await asyncio.sleep(0.3)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
    found = await Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    assert [(each["id"], [node["html"][:120] for node in each["nodes"]]) for each in found.response["violations"]] == []
    for names in ([], ["gallery", "left", "choir-wide", "house"]):
        assert await page.evaluate(WIDTH_WITH_LONG_NAMES, names) <= width, "it must be scrolled sideways"
    await context.close()


async def test_a_camera_is_switched_and_finds_its_ends_after_a_caution_and_a_second_yes(
    theatre: Theatre, page: Page
) -> None:
    await theatre.open_with("off")
    await page.get_by_role("button", name="Trouble").click()
    gallery = page.locator("article", has_text="gallery")
    button = gallery.get_by_role("button", name="Let gallery find its ends", exact=True)
    await button.click()
    question = gallery.get_by_role("alertdialog")
    await question.get_by_text("would sweep its whole range").wait_for()
    await question.get_by_text("hangs over people").wait_for()
    await page.keyboard.press("n")
    await question.wait_for(state="detached")
    assert theatre.states["gallery"]["power"] == "on"
    await gallery.get_by_role("button", name="Put gallery in standby", exact=True).click()
    await question.get_by_text("switch its picture off").wait_for()
    await page.keyboard.press("y")
    await theatre.until(lambda: theatre.states["gallery"]["power"] == "standby", 3.0)
    await gallery.get_by_role("button", name="Switch gallery on").wait_for()
