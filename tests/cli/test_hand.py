"""`ptzd hand`: what each key sends, and what is shown of the camera."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from typing import Any

import aiomqtt
import pytest
from commands import Answering, OnATerminal, Ptzd, StandIn, StandInFor, Terminal

from ptzd.bus.embedded import embedded_broker

RIGHT, LEFT, UP, DELETE = b"\x1b[C", b"\x1b[D", b"\x1b[A", b"\x1b[3~"
STATE: dict[str, Any] = {
    "camera": "gallery",
    "link": "up",
    "power": "on",
    "phase": "idle",
    "position": None,
    "pan_deg": 1.25,
    "tilt_deg": -8.5,
    "zoom_counts": 2560,
    "seconds_to_settled": None,
    "activity": "at-rest",
    "tally": "off",
    "tally_source": "message",
    "locks": [],
    "faults": [],
}
NAMES = ("choir-wide", "house", "soloist")
MOVE = "camera/gallery/move"
ACCEPTED = (MOVE, {"phase": "accepted", "position": None, "predicted_seconds": 0.4})
STOPPED = ("outcome", {"ok": True})
ANSWERS: Mapping[str, Answering] = {
    "camera/gallery/nudge": [ACCEPTED],
    "camera/gallery/recall": [ACCEPTED],
    "camera/gallery/stop": [STOPPED],
}
Holding = tuple[Terminal, StandIn]


async def tell(daemon: StandIn, state: Mapping[str, Any]) -> None:
    await daemon.client.publish("ptzd/camera/gallery/state", json.dumps(state), qos=1, retain=True)


@pytest.fixture
async def held(on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor) -> Callable[..., Any]:
    """Holds the gallery on a terminal, until it is left by its key, with the terminal as it was before."""

    @asynccontextmanager
    async def hold(*options: str, **answers: Answering) -> AsyncIterator[Holding]:
        told = {f"camera/gallery/{command}": answer for command, answer in answers.items()}
        async with stand_in(broker, {**ANSWERS, **told}) as daemon:
            await tell(daemon, STATE)
            positions = {"camera": "gallery", "positions": [{"name": name} for name in NAMES]}
            await daemon.client.publish("ptzd/camera/gallery/positions", json.dumps(positions), qos=1, retain=True)
            terminal = await on_a_terminal("hand", "gallery", "--broker", broker, *options)
            before = terminal.settings()
            await terminal.until("1 choir-wide")
            await terminal.until("rests, in no stored position")
            yield terminal, daemon
            terminal.press(b"q")
            assert await terminal.end() == 0
            assert terminal.settings() == before

    return hold


async def asked(daemon: StandIn, count: int = 1) -> list[tuple[str, dict[str, Any]]]:
    """The commands that came, so many at least, without what each of them has."""
    async with asyncio.timeout(10):
        while len(daemon.asked) < count:
            await asyncio.sleep(0.02)
    return [
        (topic.rpartition("/")[2], {key: value for key, value in body.items() if key not in ("id", "sent_at")})
        for topic, body in daemon.asked
    ]


@pytest.mark.parametrize(
    ("keys", "command", "sent"),
    [
        (RIGHT, "nudge", {"right": 0.05}),
        (LEFT, "nudge", {"right": -0.05}),
        (UP, "nudge", {"up": 0.05}),
        (b"+", "nudge", {"tighter": 0.05}),
        (b"=", "nudge", {"tighter": 0.05}),  # the same key without Shift
        (b"__", "nudge", {"tighter": pytest.approx(1.0 - 1.0 / 0.95**2, abs=1e-6)}),
        (b"--", "nudge", {"tighter": pytest.approx(1.0 - 1.0 / 0.95**2, abs=1e-6)}),  # twice a 0.95th as wide
        (b"f" + RIGHT, "nudge", {"right": 0.01}),
        (RIGHT + b"c" + RIGHT, "nudge", {"right": 0.25}),  # each by the size that it was pressed at
        (b"ccccc" + RIGHT * 9, "nudge", {"right": 1.0}),  # no more than a nudge may go
        (b"2", "recall", {"position": "house"}),
        (b" ", "stop", {}),
    ],
)
async def test_each_key_has_its_command(held: Any, keys: bytes, command: str, sent: dict[str, Any]) -> None:
    async with held() as (terminal, daemon):
        terminal.press(keys)
        assert (await asked(daemon))[0] == (command, sent)


async def test_keys_that_repeat_add_up_in_a_few_messages(held: Any) -> None:
    async with held() as (terminal, daemon):
        for _ in range(30):
            terminal.press(RIGHT)
            await asyncio.sleep(0.02)
        await asyncio.sleep(0.3)
        sent = await asked(daemon)
        assert sum(body["right"] for _, body in sent) == pytest.approx(30 * 0.05)
        assert len(sent) <= 10


async def test_what_is_no_key_of_it_moves_nothing_and_a_digit_without_a_position_says_so(held: Any) -> None:
    async with held() as (terminal, daemon):
        terminal.press(DELETE + b"xyz0" + b"9")
        await terminal.until("There is no position 9.")
        await asyncio.sleep(0.3)
        assert daemon.asked == []


async def test_a_position_whose_name_is_a_number_has_that_digit(held: Any) -> None:
    async with held() as (terminal, daemon):
        positions = {"camera": "gallery", "positions": [{"name": name} for name in ("2", "3", "10", "choir")]}
        await daemon.client.publish("ptzd/camera/gallery/positions", json.dumps(positions), qos=1, retain=True)
        await terminal.until("2 2  3 3  4 choir  and 1 more")
        for key in (b"1", b"2", b"4"):
            terminal.press(key)
        assert [body["position"] for _, body in await asked(daemon, 2)] == ["2", "choir"]


async def test_a_stop_goes_at_once_and_what_was_still_pressed_before_it_does_not(held: Any) -> None:
    async with held() as (terminal, daemon):
        terminal.press(RIGHT)
        await asked(daemon)
        terminal.press(RIGHT * 5 + b" ")
        await asyncio.sleep(0.5)
        assert [command for command, _ in await asked(daemon, 2)] == ["nudge", "stop"]


async def test_on_program_it_says_so_and_why_a_key_is_refused(held: Any) -> None:
    hint = 'send "on_air": true'
    refused = {
        "phase": "refused",
        "position": None,
        "code": "on-air",
        "sentence": f"camera gallery is on air; to move it all the same, {hint}",
        "hint": hint,
    }
    async with held(nudge=[(MOVE, refused)]) as (terminal, daemon):
        await tell(daemon, STATE | {"tally": "program"})
        await terminal.until("ON AIR")
        terminal.press(RIGHT)
        await terminal.until("Camera gallery is on air; to move it all the same, add --on-air.")
    async with held("--on-air") as (terminal, daemon):
        terminal.press(RIGHT)
        await asked(daemon)
        terminal.press(b"1")
        assert all(body["on_air"] is True for _, body in await asked(daemon, 2))


async def test_where_nobody_knows_how_wide_the_picture_is_keys_go_by_degrees_and_counts(held: Any) -> None:
    no_optics = {"phase": "refused", "position": None, "code": "no-optics", "sentence": "nobody knows", "hint": None}
    answers = {True: [(MOVE, no_optics)], False: [ACCEPTED]}
    async with held(nudge=lambda asked: answers["right" in asked]) as (terminal, daemon):
        terminal.press(RIGHT)
        await terminal.until("arrows turn by 1°")
        terminal.press(LEFT + b"+")
        assert (await asked(daemon, 2))[1] == ("nudge", {"pan_deg": -1.0, "zoom_counts": 256})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"link": "down"}, "does not answer"),
        ({"locks": [{"by": "the rigger", "reason": "lens"}]}, "locked by the rigger: lens"),
        ({"power": "standby"}, "is not ready to be moved"),
        ({"tally": "unknown"}, "counts as on air"),
        ({"activity": "halting"}, "is stopping"),
        ({"activity": "direct", "seconds_to_settled": 2.0}, "moves, "),
        ({"position": "house"}, "rests in house"),
        ({"faults": ["the head has lost its pan position"]}, "the head has lost its pan position"),
    ],
)
async def test_it_shows_how_the_camera_is(held: Any, change: dict[str, Any], words: str) -> None:
    async with held() as (terminal, daemon):
        await tell(daemon, STATE | change)
        await terminal.until(words)


async def test_a_key_that_nobody_answers_is_told(held: Any) -> None:
    async with held(nudge=[]) as (terminal, _):
        terminal.press(RIGHT)
        await terminal.until("The daemon has not answered to the last key.")
        await terminal.until("has said nothing for 5 s")  # what stands there is old


async def test_when_the_daemon_goes_away_that_is_told_at_once_and_it_ends(
    on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor
) -> None:
    async with stand_in(broker, ANSWERS) as daemon:
        terminal = await on_a_terminal("hand", "gallery", "--broker", broker)
        before = terminal.settings()
        await terminal.until("nothing heard of it yet")
        await daemon.say_offline()
        assert await terminal.end(10.0) == 1
        await terminal.until("No daemon is online")
        assert terminal.settings() == before


async def test_when_the_broker_goes_away_that_is_told_at_once_and_it_ends(
    on_a_terminal: OnATerminal, free_port: int
) -> None:
    async with embedded_broker("127.0.0.1", free_port):
        async with aiomqtt.Client("127.0.0.1", free_port) as client:
            online = json.dumps({"state": "online", "cameras": ["gallery"]})
            await client.publish("ptzd/status", online, qos=1, retain=True)
        terminal = await on_a_terminal("hand", "gallery", "--broker", f"127.0.0.1:{free_port}")
        before = terminal.settings()
        await terminal.until("nothing heard of it yet")
    assert await terminal.end(10.0) == 1
    await terminal.until(f"The broker at 127.0.0.1:{free_port} ended the connection")
    assert terminal.settings() == before


async def test_it_wants_a_terminal_and_a_camera_that_there_is(
    ptzd: Ptzd, on_a_terminal: OnATerminal, broker: str, stand_in: StandInFor
) -> None:
    ended = await ptzd("hand", "gallery", "--broker", broker)
    assert (ended.code, ended.out) == (1, "")
    assert ended.err.startswith("This is for somebody at a terminal;")
    async with stand_in(broker, {}):
        terminal = await on_a_terminal("hand", "galery", "--broker", broker)
        assert await terminal.end() == 1
        await terminal.until("did you mean gallery?")
