"""What waits to be sent stays bounded and in order."""

from __future__ import annotations

import asyncio

from ptzd.bus.outbox import Outbox, Outgoing


def event(number: int) -> Outgoing:
    return Outgoing("ptzd/outcome", str(number).encode())


def state(camera: str, payload: bytes) -> Outgoing:
    return Outgoing(f"ptzd/camera/{camera}/state", payload, retain=True)


def drained(outbox: Outbox) -> list[Outgoing]:
    messages = []
    while (taken := outbox.take_now()) is not None:
        number, message = taken
        messages.append(message)
        outbox.sent(number)
    return messages


async def test_of_a_state_only_the_latest_waits_and_events_keep_their_order() -> None:
    outbox = Outbox(lambda: 0.0)
    for message in (state("left", b"1"), event(1), state("left", b"2"), state("right", b"1"), event(2)):
        outbox.put(message)
    assert drained(outbox) == [state("left", b"2"), event(1), state("right", b"1"), event(2)]


async def test_without_a_broker_the_oldest_events_go_first() -> None:
    outbox = Outbox(lambda: 0.0, most_events=3)
    outbox.put(state("left", b"1"))
    for number in range(5):
        outbox.put(event(number))
    assert drained(outbox) == [state("left", b"1"), event(2), event(3), event(4)]
    for number in range(5):
        outbox.put(event(number))
    assert drained(outbox) == [event(2), event(3), event(4)], "what was sent makes no room for more of them"


async def test_old_news_are_not_told_but_old_states_are() -> None:
    now = [0.0]
    outbox = Outbox(lambda: now[0], keep_seconds=30.0)
    outbox.put(state("left", b"1"))
    outbox.put(event(1))
    now[0] = 20.0
    outbox.put(event(2))
    now[0] = 31.0
    assert drained(outbox) == [state("left", b"1"), event(2)]


async def test_a_new_connection_gets_every_state_and_what_was_never_confirmed() -> None:
    outbox = Outbox(lambda: 0.0)
    outbox.put(state("left", b"1"))
    drained(outbox)
    outbox.put(event(1))
    outbox.put(event(2))
    assert (await outbox.take())[1] == event(1)  # and the broker is lost
    outbox.begin_again()
    assert drained(outbox) == [state("left", b"1"), event(1), event(2)]
    outbox.begin_again()
    assert drained(outbox) == [state("left", b"1")]


async def test_it_is_empty_once_everything_is_confirmed() -> None:
    outbox = Outbox(lambda: 0.0)
    outbox.put(event(1))
    waiting = asyncio.ensure_future(outbox.emptied())
    number, _ = await outbox.take()
    await asyncio.sleep(0)
    assert not waiting.done()
    outbox.sent(number)
    await asyncio.wait_for(waiting, 1)


async def test_taking_waits_for_a_message() -> None:
    outbox = Outbox(lambda: 0.0)
    taking = asyncio.ensure_future(outbox.take())
    await asyncio.sleep(0)
    outbox.put(event(1))
    assert (await asyncio.wait_for(taking, 1))[1] == event(1)
