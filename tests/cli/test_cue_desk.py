"""`ptzd cue desk`: what each key sends, and what is shown of the show."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from typing import Any

import pytest
from commands import Answering, OnATerminal, Ptzd, StandIn, StandInFor, Terminal

STANDS: dict[str, Any] = {
    "show": "granary-evening",
    "standing": {"number": "12", "label": "", "take": None},
    "next": {"number": "12.5", "label": "Second verse", "take": "left"},
    "standby": True,
    "held": False,
    "ready": True,
    "not_ready": [],
}
NOT_READY = {"camera": "left", "position": "piano", "code": "moving", "sentence": "camera left is on its way to piano"}
OK = ("outcome", {"ok": True})
VERBS = ("go", "standby", "places", "back", "hold", "release")
ANSWERS: Mapping[str, Answering] = {"all/stop": [OK], **{f"cue/{verb}": [OK] for verb in VERBS}}
KEYS = {b"\r": "cue/go", b"s": "cue/standby", b"p": "cue/places", b"b": "cue/back", b"h": "cue/hold", b" ": "all/stop"}


async def tell(daemon: StandIn, state: Mapping[str, Any]) -> None:
    await daemon.client.publish("ptzd/cue/state", json.dumps(state), qos=1, retain=True)


@pytest.fixture
async def desk(on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor) -> Any:
    """A desk on a terminal, until it is left by its key, with the terminal as it was before."""

    @asynccontextmanager
    async def opened(**answers: Answering) -> AsyncIterator[tuple[Terminal, StandIn]]:
        told = {f"cue/{verb}": answer for verb, answer in answers.items()}
        async with stand_in(broker, {**ANSWERS, **told}) as daemon:
            await tell(daemon, STANDS)
            terminal = await on_a_terminal("cue", "desk", "--broker", broker)
            before = terminal.settings()
            await terminal.until("standing at 12; next is 12.5 (Second verse), which takes left; in standby, all ready")
            yield terminal, daemon
            terminal.press(b"q")
            assert await terminal.end() == 0
            assert terminal.settings() == before

    return opened


async def topics(daemon: StandIn, count: int) -> list[str]:
    """Of the commands that came, so many at least."""
    async with asyncio.timeout(10):
        while len(daemon.asked) < count:
            await asyncio.sleep(0.02)
    return [topic for topic, _ in daemon.asked]


async def test_each_key_has_its_command(desk: Any) -> None:
    async with desk() as (terminal, daemon):
        for count, (key, topic) in enumerate(KEYS.items(), 1):
            terminal.press(key)
            assert (await topics(daemon, count))[-1] == topic
        await asyncio.sleep(0.7)
        terminal.press(b"\r")
        assert (await topics(daemon, 7))[-1] == "cue/go"
        for topic, asked in daemon.asked:
            assert ("sent_at" in asked) == (topic in ("cue/go", "cue/standby", "cue/places", "cue/back"))
        await terminal.until("hold: done")
        assert "has not answered" not in terminal.shown


@pytest.mark.parametrize(("key", "topic"), [(b"\r", "cue/go"), (b"b", "cue/back"), (b"h", "cue/hold")])
async def test_a_key_that_is_held_counts_once_and_hides_nothing(desk: Any, key: bytes, topic: str) -> None:
    """It is repeated after 0.25 to 0.66 s, and then every 0.03 s."""
    async with desk() as (terminal, daemon):
        terminal.press(key)
        await terminal.until(f"{topic.removeprefix('cue/')}: done")
        await asyncio.sleep(0.5)
        for _ in range(30):
            terminal.press(key)
            await asyncio.sleep(0.03)
        await terminal.until("that counts once")
        assert await topics(daemon, 1) == [topic]
        last = terminal.shown.rpartition("standing at 12")[2]
        assert (last.count("done"), last.count("counts once")) == (1, 1)


async def test_on_hold_the_same_key_releases_and_that_is_shown(desk: Any) -> None:
    async with desk() as (terminal, daemon):
        await tell(daemon, STANDS | {"held": True})
        await terminal.until("on hold")
        terminal.press(b"h")
        assert await topics(daemon, 1) == ["cue/release"]


async def test_it_shows_who_is_not_ready_and_why_and_what_a_go_could_not_do(desk: Any) -> None:
    stays = {"camera": "right", "position": "hands", "code": "locked", "sentence": "camera right is locked"}
    result = {"cue": STANDS["next"], "counted": True, "overtaken": [], "refused": [stays], "started": []}
    refusal = ("outcome", {"ok": False, "code": "held", "sentence": "the cues are on hold; release them first"})
    go = ("outcome", {"ok": True, "result": result})
    async with desk(go=[go], standby=[refusal]) as (terminal, daemon):
        await tell(daemon, STANDS | {"ready": False, "not_ready": [NOT_READY]})
        await terminal.until("not ready: camera left is on its way to piano")
        terminal.press(b"\r")
        await terminal.until("camera right is locked")
        terminal.press(b"s")
        await terminal.until("The cues are on hold; release them first.")


async def test_it_shows_the_doubt_that_a_show_which_was_read_anew_leaves(desk: Any) -> None:
    loaded = {"topic": "cue/load", "ok": True, "result": {"show": "short", "cues": 3, "warnings": ["see where it is"]}}
    async with desk() as (terminal, daemon):
        await daemon.client.publish("ptzd/outcome", json.dumps(loaded), qos=1)
        await terminal.until("load: done")
        await terminal.until("See where it is.")


async def test_a_key_that_nobody_answers_is_told(desk: Any) -> None:
    async with desk(go=[]) as (terminal, _):
        terminal.press(b"\r")
        await terminal.until("The daemon has not answered to the last key.")
        await terminal.until("has said nothing for 5 s")  # what stands there is old


async def test_before_it_is_known_where_the_show_stands_no_key_runs_a_cue(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, ANSWERS) as daemon:
        terminal = await on_a_terminal("cue", "desk", "--broker", broker)
        await terminal.until("[show] file?")
        terminal.press(b"\r sbhx")
        assert await topics(daemon, 1) == ["all/stop"], "all can be stopped all the same"
        await daemon.say_offline()
        assert await terminal.end(10.0) == 1
        await terminal.until("No daemon is online")


async def test_it_wants_a_terminal(ptzd: Ptzd, broker: str) -> None:
    ended = await ptzd("cue", "desk", "--broker", broker)
    assert (ended.code, ended.err) == (1, "This is for somebody at a terminal; from elsewhere use `ptzd cue go`.\n")
