"""Of any number of daemons below one base exactly one stays, whatever the order in which they hear each other."""

from __future__ import annotations

import json
import random
from collections import deque
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest

from ptzd.bus import HeldElsewhere, Holding

EVENING = datetime(2031, 5, 17, 19, 30, tzinfo=UTC)


@dataclass
class Broker:
    """Carries words at its own pace: what one daemon says to another stays in order, and nothing else does."""

    rng: random.Random
    daemons: list[Holding] = field(default_factory=list)
    wires: dict[tuple[int, int], deque[bytes]] = field(default_factory=dict)

    def connect(self, daemon: Holding) -> None:
        self.daemons.append(daemon)
        self.say(len(self.daemons) - 1, daemon.ask())

    def say(self, sender: int, word: bytes) -> None:
        for listener in range(len(self.daemons)):
            self.wires.setdefault((sender, listener), deque()).append(word)

    def carry_one(self) -> bool:
        """Let one word arrive; return whether one was on its way."""
        waiting = [wire for wire, words in self.wires.items() if words]
        if not waiting:
            return False
        sender, listener = self.rng.choice(waiting)
        answer = self.daemons[listener].heard(self.wires[sender, listener].popleft())
        if answer is not None:
            self.say(listener, answer)
        return True


@pytest.mark.parametrize("number", [2, 3, 5])
def test_exactly_one_stays_and_a_late_answer_changes_nothing_of_that(number: int) -> None:
    for seed in range(400):
        rng = random.Random(seed)
        broker = Broker(rng)
        waiting: list[Holding] = []
        for token in range(number):
            start = EVENING + timedelta(seconds=rng.choice((-1, 0, 1)))  # clocks that disagree
            daemon = Holding(host=f"house-{token}", since=start, token=str(token))
            broker.connect(daemon)
            waiting.append(daemon)
            for _ in range(rng.randrange(4)):
                broker.carry_one()
                if waiting and rng.random() < 0.2:  # nobody has answered this one in time
                    waiting.pop(0).hold()
        for daemon in waiting:
            daemon.hold()
        for daemon in broker.daemons:  # one that stood still says at last that it is there
            if daemon.holds:
                broker.say(broker.daemons.index(daemon), daemon.word())
        while broker.carry_one():
            pass
        assert [daemon.holds for daemon in broker.daemons].count(True) == 1, seed
        assert [daemon.lost for daemon in broker.daemons].count(False) == 1, seed


def test_one_that_comes_back_asks_anew_and_goes_where_another_holds_the_base_meanwhile() -> None:
    first = Holding(host="granary", since=EVENING, token="1")
    first.hold()
    second = Holding(host="loft", since=EVENING + timedelta(hours=1), token="2")
    second.hold()
    assert not json.loads(first.ask())["holds"]
    assert first.heard(second.word()) is None
    assert first.lost


def test_whoever_holds_the_base_keeps_it_although_one_comes_whose_clock_is_behind() -> None:
    first = Holding(host="granary", since=EVENING, token="1")
    first.ask()
    first.hold()
    second = Holding(host="loft", since=EVENING - timedelta(days=1), token="2")
    answer = first.heard(second.ask())
    assert answer is not None
    assert json.loads(answer)["holds"]
    assert second.heard(answer) is None
    assert not second.hold()
    first.require("ptzd")
    day = f"{EVENING.astimezone():%H:%M:%S on %Y-%m-%d}"
    with pytest.raises(
        HeldElsewhere, match=f"below the topic ptzd already, on the computer granary, started at {day};"
    ):
        second.require("ptzd")


@pytest.mark.parametrize(
    "word",
    [b"", b"offline", b"[]", b"{}", b"\xff", b'{"token": "2", "host": "a\\u001b[2J", "since": 3, "holds": true}'],
)
def test_noise_takes_the_base_from_nobody(word: bytes) -> None:
    daemon = Holding(host="granary", since=EVENING, token="1")
    daemon.ask()
    assert daemon.heard(word) is None
    assert daemon.hold()
    assert daemon.heard(daemon.word()) is None, "a broker that speaks 3.1.1 says our own words to us"
    assert daemon.holds
