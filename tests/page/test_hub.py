"""What waits for a page, and under which names it is this daemon's own."""

from __future__ import annotations

import asyncio

import pytest

from ptzd.page import Access, Hub


def test_of_what_holds_the_newest_waits_and_in_the_order_in_which_it_was_said() -> None:
    hub = Hub()
    with hub.listening() as page:
        hub.say("left", "1", retain=True)
        hub.say("right", "1", retain=True)
        hub.say("outcome", "1", retain=False)
        hub.say("outcome", "2", retain=False)
        hub.say("left", "2", retain=True)
        assert page.take() == ['["right",1]', '["outcome",1]', '["outcome",2]', '["left",2]']
        assert page.take() == []


def test_what_was_taken_back_is_not_told_to_a_page_that_is_opened_later() -> None:
    hub = Hub()
    hub.say("left", "1", retain=True)
    hub.say("right", "1", retain=True)
    hub.say("left", "", retain=True)
    with hub.listening() as page:
        assert page.take() == ['["right",1]']


def test_a_page_that_takes_nothing_is_given_up_and_one_that_is_told_the_same_again_and_again_is_not() -> None:
    hub = Hub()
    with hub.listening() as page:
        for number in range(5000):
            hub.say("left", str(number), retain=True)
        assert not page.overwhelmed
        for number in range(2000):
            hub.say("outcome", str(number), retain=False)
        assert page.overwhelmed


async def test_whoever_waits_is_woken_by_what_is_said_and_by_nothing_else() -> None:
    hub = Hub()
    with hub.listening() as page:
        page.take()
        waiting = asyncio.ensure_future(page.wait())
        await asyncio.sleep(0.01)
        assert not waiting.done()
        hub.say("outcome", "1", retain=False)
        await asyncio.wait_for(waiting, 1.0)


@pytest.mark.parametrize(
    ("host", "known"),
    [
        ("127.0.0.1:8790", True),
        ("[::1]:8790", True),
        ("192.168.7.2", True),
        ("localhost", True),
        ("desk.granary:8790", True),
        ("evil.example", False),
        ("[evil", False),
        ("", False),
        (None, False),
    ],
)
def test_a_page_is_known_by_plain_addresses_and_the_names_that_it_was_given(host: str | None, known: bool) -> None:
    assert Access({}, frozenset({"desk.granary"})).host_is_known(host) is known


@pytest.mark.parametrize(
    ("origin", "own"),
    [
        ("http://127.0.0.1:8790", True),
        ("https://127.0.0.1:8790", True),
        ("http://127.0.0.1:8791", False),
        ("http://127.0.0.1:8790.evil.example", False),
        ("http://[evil", False),
        ("null", False),
        (None, False),
    ],
)
def test_a_request_is_its_own_where_its_origin_is_where_it_goes_to(origin: str | None, own: bool) -> None:
    assert Access({}).same_origin(origin, "127.0.0.1:8790") is own
