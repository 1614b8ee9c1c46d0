"""A daemon is told to stop cameras by whoever halts them on its computer, on a real socket, whatever else comes."""

from __future__ import annotations

import asyncio
import os
import socket

import pytest

from ptzd.guard import call, called, seen
from ptzd.guard.calling import PREFIX
from ptzd.links import parse_link, places


async def test_a_daemon_stops_what_it_is_called_for_and_says_whom() -> None:
    asked: list[frozenset[str]] = []

    def stop(places: frozenset[str]) -> list[str]:
        asked.append(places)
        return ["left"]

    async with called(stop, lambda places: []):
        assert (await call(frozenset({"a", "b"}), 5.0))[os.getpid()] == ["left"]
    assert asked == [{"a", "b"}]
    await asyncio.sleep(0)  # for it to be closed
    assert os.getpid() not in await call(frozenset({"a"}), 0.1), "it is gone with its context"


async def test_what_is_no_call_does_not_keep_the_next_from_being_heard() -> None:
    async with called(sorted, lambda places: []):
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as nameless:
            for words in (b"", b"?", b"7", b"{}", b'{"places": 7}', b'{"places": [{}]}', b'{"places": ["here"]}'):
                nameless.sendto(words, f"\0{PREFIX}{os.getpid()}")
        assert (await call(frozenset({"here"}), 5.0))[os.getpid()] == ["here"]


async def test_a_daemon_tells_what_it_sees_of_one_camera() -> None:
    seen_of = {"still": True, "standby": False, "heard": True, "pan_deg": 3.0, "tilt_deg": 0.5, "zoom_counts": 7}
    async with called(lambda places: pytest.fail("nothing is to be stopped"), lambda places: [seen_of] * len(places)):
        told = await seen(os.getpid(), frozenset({"here"}), 5.0)
        assert await seen(os.getpid(), frozenset({"here", "there"}), 5.0) is None, "of which of them?"
    assert told is not None and told.still
    assert told.place() == "pan 3.0°, tilt 0.5°, zoom 7"


async def test_a_daemon_that_is_older_or_gone_tells_nothing_of_what_it_sees() -> None:
    async with called(lambda places: [], lambda places: ["left"]):  # type: ignore[list-item]
        assert await seen(os.getpid(), frozenset({"here"}), 5.0) is None
    await asyncio.sleep(0)
    assert await seen(os.getpid(), frozenset({"here"}), 0.1) is None


@pytest.mark.parametrize(
    ("one", "other", "look_up", "alike"),
    [
        ("udp://127.0.0.1:52381", "udp://localhost:52381", True, True),
        ("udp://127.0.0.1:52381", "udp://localhost:52381", False, False),
        ("udp://localhost:52381", "udp://localhost:52381", False, True),
        ("udp://127.0.0.1:52381", "udp://127.1:52381", False, True),
        ("udp://127.0.0.1:52381", "udp://127.0.0.1:52382", True, False),
        ("udp://no-such-host.invalid:1", "udp://127.0.0.1:1", True, False),
        ("serial:/dev/stdin?address=1", "serial:/proc/self/fd/0?address=1", True, True),
        ("serial:/dev/stdin?address=1", "serial:/dev/stdin?address=2", True, False),
    ],
)
def test_addresses_that_are_written_differently_may_lead_to_one_camera(
    one: str, other: str, look_up: bool, alike: bool
) -> None:
    found = places(parse_link(one), look_up=look_up) & places(parse_link(other), look_up=look_up)
    assert bool(found) is alike
