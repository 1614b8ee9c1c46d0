"""Whatever a network and a camera do, every ticket ends once, nothing is waited for for ever, and a stop stops.

The camera is `model_camera`, which shares no code with the program. [A] SRG-300H technical manual, "VISCA over IP".
"""

from __future__ import annotations

import heapq
import itertools
import random
from collections import Counter
from dataclasses import dataclass
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from visca.model_camera import ModelCamera
from visca.talk import UNHURRIED

from ptzd.visca import (
    Acknowledged,
    Answered,
    Command,
    Completed,
    Conversation,
    Desynchronised,
    Event,
    FocusInquiry,
    FocusManual,
    FocusMode,
    FocusModeInquiry,
    Ignored,
    Inquiry,
    Interrupted,
    Linked,
    Overdue,
    PanTiltAbsolute,
    PanTiltStop,
    PerformedUnheard,
    Power,
    PowerInquiry,
    Refused,
    Timing,
    Unanswered,
    ZoomDirect,
    ZoomInquiry,
    ZoomStop,
    load_dialect,
)

DIALECT = load_dialect("nibble4-51")
ENDINGS = (Completed, Answered, Refused, Interrupted, Overdue, Unanswered)
ON_THE_WAY = Acknowledged | PerformedUnheard
MOVE = PanTiltAbsolute(512, 0, 12, 11)
MESSAGES: list[Command | Inquiry[Any]] = [
    PowerInquiry(),
    ZoomInquiry(),
    FocusInquiry(),
    FocusModeInquiry(),
    FocusManual(),
    ZoomDirect(0x1000),
    MOVE,
]
VALUES = {PowerInquiry(): Power.ON, ZoomInquiry(): 0x1111, FocusInquiry(): 0x2222, FocusModeInquiry(): FocusMode.MANUAL}


@dataclass(frozen=True)
class Network:
    """How bad it is: shares of datagrams, and seconds."""

    loss: float
    doubling: float
    delay: float
    jitter: float  # beyond zero, datagrams overtake each other
    garbage: float


class World:
    """The conversation, the network and the camera, on a clock that jumps."""

    def __init__(self, camera: ModelCamera, network: Network, seed: int, timing: Timing | None = None) -> None:
        self.camera = camera
        self.network = network
        self.rng = random.Random(seed)
        self.conversation = Conversation(DIALECT, timing)
        self.now = 0.0
        self.air: list[tuple[float, int, bool, bytes]] = []
        self.order = itertools.count()
        self.messages: dict[int, Command | Inquiry[Any]] = {}
        self.endings: dict[int, Event] = {}
        self.begun: set[int] = set()  # tickets of which it was said that the camera performs or performed them
        self.events: Counter[type] = Counter()
        self.sendings = 0

    def fly(self, datagram: bytes, to_camera: bool) -> None:
        network, rng = self.network, self.rng
        for _ in range(2 if rng.random() < network.doubling else 1):
            if rng.random() < network.loss:
                continue
            arrival = self.now + network.delay + rng.random() * network.jitter
            heapq.heappush(self.air, (arrival, next(self.order), to_camera, datagram))
        if rng.random() < network.garbage:
            spoilt = bytearray(datagram)
            spoilt[rng.randrange(len(spoilt))] = rng.randrange(256)
            junk = rng.choice([rng.randbytes(rng.randrange(20)), bytes(spoilt[: rng.randrange(1, len(spoilt))])])
            heapq.heappush(self.air, (self.now + network.delay, next(self.order), False, junk))

    def send(self, message: Command | Inquiry[Any]) -> int:
        ticket = self.conversation.send(message, self.now, completion_seconds=4.0)
        self.messages[ticket] = message
        self.flush()
        return ticket

    def interrupt(self, *commands: Command) -> list[int]:
        tickets = self.conversation.interrupt(commands, self.now, completion_seconds=4.0)
        self.messages.update(zip(tickets, commands, strict=True))
        self.flush()
        return tickets

    def flush(self) -> None:
        for datagram in self.conversation.datagrams():
            self.sendings += 1
            self.fly(datagram, to_camera=True)

    def take(self, events: list[Event]) -> None:
        for event in events:
            self.events[type(event)] += 1
            if isinstance(event, Linked | Desynchronised | Ignored):
                continue
            assert event.ticket in self.messages, "a ticket that nobody was given"
            assert event.ticket not in self.endings, f"{event} after {self.endings.get(event.ticket)}"
            if isinstance(event, ENDINGS):
                self.endings[event.ticket] = event
            else:
                assert isinstance(event, ON_THE_WAY)
            if isinstance(event, Completed | ON_THE_WAY):
                self.begun.add(event.ticket)
        self.flush()

    def run(self, seconds: float) -> None:
        until = self.now + seconds
        for _ in range(100_000):
            moments = [self.conversation.deadline(), self.camera.due(), self.air[0][0] if self.air else None]
            soonest = min((moment for moment in moments if moment is not None), default=until)
            if soonest > until:
                break
            stuck = soonest <= self.now and not self.air
            self.now = max(self.now, soonest)
            for datagram in self.camera.completions(self.now):
                self.fly(datagram, to_camera=False)
            while self.air and self.air[0][0] <= self.now:
                _, _, to_camera, datagram = heapq.heappop(self.air)
                if to_camera:
                    for reply in self.camera.hear(datagram, self.now):
                        self.fly(reply, to_camera=False)
                else:
                    self.take(self.conversation.receive(datagram, self.now))
            deadline = self.conversation.deadline()
            if deadline is not None and deadline <= self.now:
                self.take(self.conversation.tick(self.now))
                deadline = self.conversation.deadline()
                assert deadline is None or deadline > self.now, "it wants to be called again at once, for ever"
            if soonest == until and stuck:
                break
        else:
            raise AssertionError("no end of talking")
        self.now = until

    def settle(self) -> None:
        """Long enough for all attempts, all completions and a RESET or two."""
        self.run(120)
        pending = set(self.messages) - set(self.endings)
        assert not pending, f"never ended: {[self.messages[ticket] for ticket in sorted(pending)]}"
        assert self.conversation.deadline() is None


networks = st.builds(
    Network,
    loss=st.sampled_from([0.0, 0.05, 0.3, 0.6, 1.0]),
    doubling=st.sampled_from([0.0, 0.2]),
    delay=st.sampled_from([0.001, 0.03, 0.15]),
    jitter=st.sampled_from([0.0, 0.02, 0.3]),
    garbage=st.sampled_from([0.0, 0.2]),
)
cameras = st.builds(ModelCamera, st.sampled_from(["next", "later", "any"]), st.booleans())
deeds = st.lists(
    st.one_of(
        st.sampled_from(MESSAGES),
        st.sampled_from([(PanTiltStop(),), (MOVE,), (PanTiltStop(), ZoomStop()), ()]),
        st.sampled_from([0.0, 0.004, 0.12, 1.0, 6.0]),
        st.sampled_from(["start", "restart", "stranger"]),
    ),
    max_size=25,
)


def do(world: World, deed: object) -> None:
    match deed:
        case float():
            world.run(deed)
        case tuple():
            world.interrupt(*deed)
        case "start":
            world.conversation.start(world.now)
            world.flush()
        case "restart":
            world.camera.restart()
        case "stranger":
            world.camera.last = (world.camera.last + 3) % 2**32
        case Command() | Inquiry():
            world.send(deed)


thorough = settings(max_examples=250, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@thorough
@given(cameras, networks, deeds, st.integers(min_value=0, max_value=2**16))
def test_every_ticket_ends_exactly_once(camera: ModelCamera, network: Network, plan: list[object], seed: int) -> None:
    world = World(camera, network, seed)
    for deed in plan:
        do(world, deed)
    world.settle()
    for ticket, ending in world.endings.items():
        assert isinstance(ending, Answered) <= isinstance(world.messages[ticket], Inquiry)
        assert isinstance(ending, Completed) <= isinstance(world.messages[ticket], Command)


@thorough
@given(cameras, networks, deeds, st.integers(min_value=0, max_value=2**16))
def test_a_conversation_is_good_again_as_soon_as_the_network_is(
    camera: ModelCamera, network: Network, plan: list[object], seed: int
) -> None:
    world = World(camera, network, seed)
    for deed in plan:
        do(world, deed)
    world.settle()
    world.network = Network(0.0, 0.0, 0.001, 0.0, 0.0)
    asked, moved = world.send(ZoomInquiry()), world.send(MOVE)
    world.settle()
    assert world.endings[asked] == Answered(asked, 0x1111)
    assert world.endings[moved] == Completed(moved)


@thorough
@given(
    st.sampled_from(["next", "later"]),
    st.booleans(),
    st.sampled_from([0.0, 0.05, 0.3, 0.5]),
    st.sampled_from([0.0, 0.2]),
    deeds,
    st.integers(min_value=0, max_value=2**16),
)
def test_a_stop_that_is_said_to_be_completed_has_stopped_the_head(
    numbers: str, answers_cancels: bool, loss: float, doubling: float, plan: list[object], seed: int
) -> None:
    world = World(ModelCamera(numbers, answers_cancels), Network(loss, doubling, 0.01, 0.0, 0.0), seed)
    for deed in plan:
        do(world, deed)
    (stop, _) = world.interrupt(PanTiltStop(), ZoomStop())
    world.run(1.5)  # a move takes 2 s: it does not end by itself meanwhile
    if world.endings.get(stop) == Completed(stop):
        assert not world.camera.turning


# The order stays: datagrams are lost or doubled, but none overtakes another, and nobody else speaks to the camera


in_order = st.builds(
    Network,
    loss=st.sampled_from([0.05, 0.15, 0.3, 0.5]),
    doubling=st.sampled_from([0.0, 0.2]),
    delay=st.sampled_from([0.001, 0.03]),
    jitter=st.just(0.0),
    garbage=st.sampled_from([0.0, 0.1]),
)
strict_cameras = st.builds(ModelCamera, st.sampled_from(["next", "later"]), st.booleans())
steps = st.lists(
    st.tuples(st.sampled_from(["ask", "send", "interrupt", "interrupt twice"]), st.sampled_from([0.0, 0.04, 0.3, 2.5])),
    max_size=20,
)


def played(
    camera: ModelCamera, network: Network, plan: list[tuple[str, float]], seed: int, timing: Timing | None = None
) -> World:
    """Every command is the only one of its kind, so that the camera can tell which it performed."""
    world = World(camera, network, seed, timing)
    counts = itertools.count(1)
    for how, seconds in plan:
        match how:
            case "ask":
                world.send(ZoomInquiry())
            case "send":
                world.send(ZoomDirect(next(counts)))
            case "interrupt":
                world.interrupt(ZoomDirect(next(counts)))
            case "interrupt twice":
                world.interrupt(ZoomDirect(next(counts)), PanTiltAbsolute(next(counts), 0, 1, 1))
        world.run(seconds)
    return world


@thorough
@given(strict_cameras, in_order, steps, st.integers(min_value=0, max_value=2**16))
def test_nothing_is_called_performed_that_the_camera_has_not_performed(
    camera: ModelCamera, network: Network, plan: list[tuple[str, float]], seed: int
) -> None:
    world = played(camera, network, plan, seed)
    world.settle()
    assert_nothing_else_is_called_performed(world)


def test_the_end_of_an_old_command_is_not_taken_for_that_of_a_lost_one_with_its_number() -> None:
    """An interrupted command 3 goes on, for its cancel is lost; so is command 3 after a RESET."""
    camera, network = ModelCamera("next", False), Network(0.3, 0.0, 0.001, 0.0, 0.1)
    plan = [("send", 0.04), ("interrupt", 0.0), ("interrupt", 0.0), ("interrupt", 0.0)]
    world = played(camera, network, plan, seed=5892, timing=UNHURRIED)
    world.settle()
    assert_nothing_else_is_called_performed(world)


def assert_nothing_else_is_called_performed(world: World) -> None:
    for ticket in world.begun:
        assert world.messages[ticket].encode(DIALECT) in world.camera.performed


@thorough
@given(strict_cameras, in_order, steps, st.integers(min_value=0, max_value=2**16))
def test_no_order_is_performed_after_a_newer_one_that_interrupted_it(
    camera: ModelCamera, network: Network, plan: list[tuple[str, float]], seed: int
) -> None:
    world = played(camera, network, plan, seed)
    newest = PanTiltAbsolute(5000, 0, 24, 1), ZoomDirect(0x3FFF)
    world.interrupt(*newest)
    world.settle()
    first, second = (message.encode(DIALECT) for message in newest)
    since = camera.performed[camera.performed.index(first) :] if first in camera.performed else []
    assert {message for message in since if message[1] >> 4 != 2} <= {first, second}  # but for cancels


@thorough
@given(networks, st.lists(st.sampled_from(list(VALUES)), max_size=12), st.integers(min_value=0, max_value=2**16))
def test_an_answer_is_that_to_its_own_inquiry(network: Network, asked: list[Inquiry[Any]], seed: int) -> None:
    world = World(ModelCamera("later", True), network, seed)
    world.conversation.start(world.now)
    world.flush()
    for inquiry in asked:
        world.send(inquiry)
        world.run(0.05)
    world.settle()
    if world.events[Linked] > 1:
        return  # a reply from before a RESET may bear the number of a question from after it
    for ticket, ending in world.endings.items():
        if isinstance(ending, Answered):
            assert ending.value == VALUES[world.messages[ticket]]


@pytest.mark.parametrize("numbers", ["next", "later"])
@pytest.mark.parametrize("seed", range(20))
def test_one_datagram_in_five_lost_costs_time_and_nothing_else(numbers: str, seed: int) -> None:
    world = World(ModelCamera(numbers, True), Network(0.2, 0.0, 0.002, 0.0, 0.0), seed)
    for _ in range(10):
        world.interrupt(MOVE)
        tickets = [world.send(ZoomInquiry()), world.send(FocusManual())]
        world.run(5)
        assert isinstance(world.endings[tickets[0]], Answered)
    assert world.events[Unanswered] == 0
    assert world.sendings < 10 * 5 * 4


@given(st.lists(st.binary(max_size=30), max_size=20), st.integers(min_value=0, max_value=3))
def test_any_bytes_at_any_time_are_taken_without_a_word_too_many(garbage: list[bytes], sent: int) -> None:
    conversation = Conversation(DIALECT)
    conversation.start(0.0)
    tickets = {conversation.send(message, 0.0) for message in MESSAGES[:sent]}
    for datagram in garbage:
        for event in conversation.receive(datagram, 0.1):
            assert isinstance(event, Ignored | Linked) or event.ticket in tickets  # type: ignore[union-attr]


replies = st.builds(
    lambda kind, number, payload: kind.to_bytes(2, "big") + len(payload).to_bytes(2, "big") + number + payload,
    st.sampled_from([0x0111, 0x0200, 0x0201]),
    st.integers(min_value=0, max_value=6).map(lambda number: number.to_bytes(4, "big")),
    st.sampled_from(["9041FF", "9042FF", "9051FF", "9052FF", "9050FF", "905002FF", "905001010101FF", "906003FF"]).map(
        bytes.fromhex
    )
    | st.sampled_from(["906104FF", "906205FF", "906141FF", "01", "0F01", "0F02"]).map(bytes.fromhex),
)


@thorough
@given(st.lists(replies | deeds.map(tuple), max_size=60))
def test_a_camera_that_talks_nonsense_cannot_wedge_it(said: list[bytes | tuple[object, ...]]) -> None:
    world = World(ModelCamera("any", True), Network(1.0, 0.0, 0.001, 0.0, 0.0), 0)  # nothing arrives but this
    world.conversation.start(world.now)
    for each in said:
        if isinstance(each, bytes):
            world.take(world.conversation.receive(each, world.now))
        else:
            for deed in each[:3]:
                do(world, deed)
    world.settle()
