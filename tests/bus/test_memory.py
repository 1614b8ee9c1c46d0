"""The bus in memory behaves as a broker does, on a clock that jumps."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from datetime import UTC, datetime

import pytest
from ptzsim.virtual_time import run

from ptzd.bus import Bus, HeldElsewhere, Holding, Incoming, MemoryBroker, MemoryBus, Said, Topics

STARTED = datetime(2031, 5, 17, 19, 30, tzinfo=UTC)
OFFLINE = b'{"state":"offline"}'
STATUS, LEFT, OUTCOME = "ptzd/status", "ptzd/camera/left/state", "ptzd/outcome"


def on_a_virtual_clock(statement: Callable[[], Coroutine[None, None, None]]) -> Callable[[], None]:
    def test() -> None:
        run(statement())

    return test


def daemon(broker: MemoryBroker, host: str = "granary") -> MemoryBus:
    holding = Holding(host=host, since=STARTED, token=host)
    return MemoryBus(broker, Topics("ptzd"), offline=OFFLINE, cameras=["left"], holding=holding)


@on_a_virtual_clock
async def test_a_command_reaches_the_daemon_at_once_and_its_own_words_do_not() -> None:
    broker = MemoryBroker()
    async with daemon(broker) as memory:
        bus: Bus = memory
        bus.publish(LEFT, b"1", retain=True)
        broker.publish("elsewhere/lamp", b"on")
        broker.publish("ptzd/all/stop", b"", response_topic="panel", correlation=b"7")
        assert await anext(aiter(bus)) == Incoming("ptzd/all/stop", b"", False, "panel", b"7")


@on_a_virtual_clock
async def test_who_listens_later_hears_what_is_retained() -> None:
    broker = MemoryBroker()
    heard: list[Said] = []
    async with daemon(broker) as bus:
        bus.publish(LEFT, b"1", retain=True)
        bus.publish(OUTCOME, b"done")
        broker.listen(heard.append)
        bus.publish(LEFT, b"2", retain=True)
    assert heard == [Said(LEFT, b"1", True), Said(LEFT, b"2"), Said(STATUS, OFFLINE)]
    assert broker.retained == {LEFT: b"2", STATUS: OFFLINE}


@on_a_virtual_clock
async def test_a_retained_command_comes_marked_as_retained() -> None:
    broker = MemoryBroker()
    broker.publish("ptzd/camera/left/recall", b"choir-wide", retain=True)
    async with daemon(broker) as bus:
        assert (await anext(aiter(bus))).retain


@on_a_virtual_clock
async def test_after_an_outage_the_states_are_said_anew_with_their_latest_payload() -> None:
    broker = MemoryBroker()
    async with daemon(broker) as bus:
        bus.publish(STATUS, b"online", retain=True)
        bus.publish(LEFT, b"1", retain=True)
        broker.stop()
        assert not bus.connected
        broker.publish("ptzd/camera/left/recall", b"choir-wide")  # lost, and never done late
        for number in range(2, 5):
            bus.publish(LEFT, str(number).encode(), retain=True)
        bus.publish(OUTCOME, b"old news")
        await asyncio.sleep(60)
        bus.publish(OUTCOME, b"news")
        heard: list[Said] = []
        broker.listen(heard.append)
        broker.start()
        assert heard.pop(0).topic == "ptzd/daemon", "who is there is asked first"
        assert heard == [Said(STATUS, b"online"), Said(LEFT, b"4"), Said(OUTCOME, b"news")]
        broker.publish("ptzd/all/stop", b"")
        assert (await anext(aiter(bus))).topic == "ptzd/all/stop"


@on_a_virtual_clock
async def test_a_daemon_that_is_lost_is_said_to_be_offline() -> None:
    broker = MemoryBroker()
    async with daemon(broker) as bus:
        bus.publish(STATUS, b"online", retain=True)
        broker.kill(bus)
        assert broker.retained == {STATUS: OFFLINE}


@on_a_virtual_clock
async def test_what_was_retained_of_cameras_that_are_gone_is_cleared() -> None:
    broker = MemoryBroker()
    broker.publish("ptzd/camera/balcony/state", b"old", retain=True)
    broker.publish("ptzd/camera/balcony/positions", b"old", retain=True)
    broker.publish(LEFT, b"old", retain=True)
    async with daemon(broker):
        assert broker.retained == {LEFT: b"old"}


@on_a_virtual_clock
async def test_a_second_daemon_is_refused_and_says_nothing_nor_clears_or_hears_anything() -> None:
    broker = MemoryBroker()
    async with daemon(broker) as first:
        first.publish(STATUS, b"online", retain=True)
        broker.publish("ptzd/camera/balcony/state", b"of the first", retain=True)
        kept = dict(broker.retained)
        async with daemon(broker, "loft") as second:
            with pytest.raises(HeldElsewhere, match="on the computer granary, started at"):
                await second.hold()
            second.publish(STATUS, b"online too", retain=True)
            with pytest.raises(HeldElsewhere):
                await anext(aiter(second))
        assert broker.retained == kept, "no will, no goodbye"
        broker.publish("ptzd/all/stop", b"")
        assert (await anext(aiter(first))).topic == "ptzd/all/stop"


@on_a_virtual_clock
async def test_what_is_retained_of_a_daemon_that_died_without_a_will_keeps_nobody_away() -> None:
    broker = MemoryBroker()
    broker.publish(STATUS, b"online", retain=True)
    holds = Holding(host="attic", since=STARTED, token="attic")
    holds.hold()
    broker.publish("ptzd/daemon", holds.word(), retain=True)
    async with daemon(broker) as bus:
        await bus.hold()
        assert bus.connected


@on_a_virtual_clock
async def test_of_two_that_started_without_a_broker_one_stays_once_it_is_there() -> None:
    broker = MemoryBroker()
    broker.stop()
    async with daemon(broker) as one, daemon(broker, "loft") as other:
        await one.hold()
        await other.hold()
        broker.start()
        assert one.connected
        with pytest.raises(HeldElsewhere, match="granary"):
            await anext(aiter(other))


@on_a_virtual_clock
async def test_the_will_of_an_older_connection_is_contradicted_by_the_daemon_that_lives() -> None:
    broker = MemoryBroker()
    async with daemon(broker) as bus:
        bus.publish(STATUS, b"online", retain=True)
        broker.say_will(bus)
        await asyncio.sleep(0.1)
        assert broker.retained[STATUS] == b"online"
