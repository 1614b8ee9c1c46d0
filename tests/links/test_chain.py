"""Up to seven cameras on one serial wire, byte for byte, and whose turn it is.

Bytes: SRG-300H technical manual and FCB-EH4300 VISCA reference: `8x ... FF` towards a camera, `y0 ... FF` back, where
y = x + 8; address set 88 30 01 FF, IF_Clear to all 88 01 00 01 FF, network change y0 38 FF. 9600 8N1 carries 960 bytes
a second.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine

import pytest
from ptzsim import virtual_time

from ptzd.links import LOST
from ptzd.links.chain import Chain, ChainLink

POSITION = bytes.fromhex("81 09 06 12 FF")
DRIVE = bytes.fromhex("81 01 06 01 0C 0C 02 03 FF")
STOP = bytes.fromhex("81 01 06 01 01 01 03 03 FF")
ZOOM_STOP = bytes.fromhex("81 01 04 07 00 FF")
CANCEL = bytes.fromhex("81 21 FF")
ADDRESS_SET = "88 30 01 FF"
CLEAR_ALL = "88 01 00 01 FF"


class Wire:
    """A chain of seven, what was said on its wire, and when (loop time)."""

    def __init__(self, cameras: int = 7) -> None:
        self.chain = Chain(9600)
        self.links = [self.chain.join(place) for place in range(1, cameras + 1)]
        self.said: list[tuple[float, str]] = []
        self.loop = asyncio.get_running_loop()
        self.cameras = cameras

    def write(self, data: bytes) -> None:
        self.said.append((self.loop.time(), data.hex(" ").upper()))

    async def begin(self) -> None:
        self.chain.begin(self.write, fresh=True)
        await asyncio.sleep(0.02)
        self.hears(f"88 30 0{self.cameras + 1} FF")
        await asyncio.sleep(0.02)

    def hears(self, wire: str) -> None:
        self.chain.heard(bytes.fromhex(wire))

    @property
    def words(self) -> list[str]:
        return [word for _, word in self.said]


def played(play: Callable[[Wire], Coroutine[None, None, None]], cameras: int = 7) -> None:
    async def scene() -> None:
        wire = Wire(cameras)
        try:
            await play(wire)
        finally:
            wire.chain.close()

    virtual_time.run(scene())


ENDS_MOTION = {
    "a stop": STOP,
    "a stop of the zoom": ZOOM_STOP,
    "a stop of the focus": bytes.fromhex("81 01 04 08 00 FF"),
    "a cancel": CANCEL,
    "IF_Clear": bytes.fromhex("81 01 00 01 FF"),
}
MOVES_OR_ASKS = {
    "a drive": DRIVE,
    "a recall": bytes.fromhex("81 01 06 02 0C 0B 00 02 00 00 00 00 00 00 FF"),
    "a drive of the zoom": bytes.fromhex("81 01 04 07 23 FF"),
    "a memory": bytes.fromhex("81 01 04 3F 02 01 FF"),
    "home": bytes.fromhex("81 01 06 04 FF"),
    "a question": POSITION,
}


async def received(link: ChainLink) -> list[bytes]:
    found = []
    while True:
        try:
            async with asyncio.timeout(0.001):
                found.append(await link.receive())
        except TimeoutError:
            return found


def test_a_port_that_is_opened_has_its_cameras_addressed_and_cleared() -> None:
    async def play(wire: Wire) -> None:
        wire.chain.begin(wire.write, fresh=True)
        wire.links[0].send(POSITION)  # too early: it is lost
        assert wire.words == ["FF", ADDRESS_SET]  # FF ends what was left half said
        wire.hears("88 30 08 FF")
        assert wire.words == ["FF", ADDRESS_SET, CLEAR_ALL]
        wire.hears(CLEAR_ALL)  # it comes back when all have it
        await asyncio.sleep(1.0)
        assert len(wire.said) == 3

    played(play)


def test_a_guard_that_opens_the_port_gets_its_stops_out_at_once_and_clears_none_but_its_own() -> None:
    async def play(wire: Wire) -> None:
        wire.chain.begin(wire.write, fresh=False)
        wire.links[1].send(STOP)
        await asyncio.sleep(0.1)
        wire.hears("88 30 08 FF")
        await asyncio.sleep(0.1)
        assert wire.words == ["FF", ADDRESS_SET, "82 01 06 01 01 01 03 03 FF"]

    played(play)


def test_cameras_that_set_their_address_in_silence_are_asked_three_times_and_spoken_to() -> None:
    async def play(wire: Wire) -> None:
        wire.chain.begin(wire.write, fresh=True)
        await asyncio.sleep(2.0)
        wire.links[0].send(POSITION)
        assert wire.words == ["FF", *[ADDRESS_SET] * 3, CLEAR_ALL, "81 09 06 12 FF"]

    played(play)


def test_each_is_spoken_to_by_its_address_and_hears_its_own_replies() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        for link in wire.links:
            link.send(CANCEL)
        await asyncio.sleep(0.1)
        assert wire.words == [f"8{place} 21 FF" for place in range(1, 8)]

    async def replies(wire: Wire) -> None:
        await wire.begin()
        wire.hears("A0 41 FF F0 50 01 02 03 04 FF 90")
        wire.hears("50 02 FF 00 7F B0 60 41 FF 88 01 00 01 FF 50 FF")
        assert [await received(link) for link in wire.links] == [
            [bytes.fromhex("90 50 02 FF")],
            [bytes.fromhex("90 41 FF")],
            [bytes.fromhex("90 60 41 FF")],  # what stood before it is noise
            [], [], [],
            [bytes.fromhex("90 50 01 02 03 04 FF")],
        ]  # fmt: skip

    played(play)
    played(replies)


def test_a_stop_waits_for_the_message_on_the_wire_alone() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        for _ in range(3):
            for link in wire.links[:6]:
                link.send(POSITION)
                link.send(DRIVE)
        asked_at = wire.loop.time()
        wire.links[6].overtake()
        wire.links[6].send(STOP)
        wire.links[6].send(ZOOM_STOP)
        await asyncio.sleep(0.1)
        at = {word: when - asked_at for when, word in reversed(wire.said)}
        assert at["87 01 06 01 01 01 03 03 FF"] <= 0.017  # sixteen bytes at most are on the wire
        assert at["87 01 04 07 00 FF"] <= 0.017 + 0.010

    played(play)


@pytest.mark.parametrize("message", ENDS_MOTION.values(), ids=ENDS_MOTION)
def test_what_ends_motion_leaves_ahead_of_all_that_waits(message: bytes) -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        for link in wire.links[:6]:
            link.send(DRIVE)
        wire.links[6].send(POSITION)
        await asyncio.sleep(0.001)
        wire.links[5].overtake()
        wire.links[5].send(message)
        await asyncio.sleep(0.2)
        assert wire.words[:2] == ["81 01 06 01 0C 0C 02 03 FF", "86 " + message[1:].hex(" ").upper()]
        assert wire.words[-1] == "87 09 06 12 FF"  # commands before questions

    played(play)


def test_while_nobody_knows_which_camera_is_which_all_passes_that_ends_motion_and_nothing_else() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.hears("B0 38 FF")
        for counted in (None, 6):  # addresses are being set; another number is there than before
            if counted is not None:
                wire.hears("88 30 07 FF")
                await asyncio.sleep(0.3)
            wire.said.clear()
            for message in (*MOVES_OR_ASKS.values(), *ENDS_MOTION.values()):
                wire.links[2].send(message)
            await asyncio.sleep(0.1)
            assert wire.words == ["83 " + message[1:].hex(" ").upper() for message in ENDS_MOTION.values()]

    played(play)


def test_what_a_stop_overtakes_does_not_follow_it() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        link = wire.links[1]
        for message in (DRIVE, DRIVE, POSITION):
            link.send(message)
        link.overtake()
        link.send(STOP)
        await asyncio.sleep(0.5)
        assert wire.words == ["82 01 06 01 0C 0C 02 03 FF", "82 01 06 01 01 01 03 03 FF"]

    played(play)


def test_no_more_is_written_than_the_wire_carries_and_every_camera_has_its_turn() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        began = wire.loop.time()
        while wire.loop.time() < began + 2.0:
            for link in wire.links:
                for _ in range(3):
                    link.send(DRIVE)
            await asyncio.sleep(0.005)
        size = sum(len(word.split()) for word in wire.words)
        assert 0.95 * 960 * 2.0 < size <= 960 * 2.0 + 16
        turns = [sum(word.startswith(f"8{place}") for word in wire.words) for place in range(1, 8)]
        assert max(turns) - min(turns) <= 1

    played(play)


def test_three_questions_are_asked_ahead_of_their_answers() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        for link in wire.links:
            link.send(POSITION)
        await asyncio.sleep(0.1)
        assert wire.words == [f"8{place} 09 06 12 FF" for place in (1, 2, 3)]
        wire.hears("A0 50 00 00 00 00 00 00 00 00 FF")
        assert wire.words[3:] == ["84 09 06 12 FF"]
        await asyncio.sleep(0.5)  # answers that do not come hold up nobody for long
        assert len(wire.said) == 7

    played(play)


def test_a_network_change_sets_addresses_anew_and_disturbs_nobody() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        wire.hears("B0 38 FF")
        await asyncio.sleep(0.02)
        wire.links[0].send(DRIVE)  # whose it would be, nobody knows
        wire.links[1].send(STOP)  # harmless whose it is
        await asyncio.sleep(0.02)
        wire.hears("88 30 08 FF")
        wire.links[0].send(POSITION)
        await asyncio.sleep(0.1)
        assert wire.words == [ADDRESS_SET, "82 01 06 01 01 01 03 03 FF", "81 09 06 12 FF"]
        assert [await received(link) for link in wire.links] == [[]] * 7

    played(play)


@pytest.mark.parametrize(("seconds", "anew"), [(0.5, False), (0.8, True)])
def test_where_nothing_has_answered_for_a_while_addresses_are_set_anew_when_something_does(
    seconds: float, anew: bool
) -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        await asyncio.sleep(5.0)  # nobody was asked, so that is no silence
        wire.links[0].send(POSITION)
        await asyncio.sleep(0.02)
        wire.hears("90 50 00 00 00 00 00 00 00 00 FF")
        wire.said.clear()
        wire.links[0].send(POSITION)
        await asyncio.sleep(seconds)
        assert wire.words == ["81 09 06 12 FF"]
        wire.hears("90 50 00 00 00 00 00 00 00 00 FF")
        await asyncio.sleep(0.02)
        assert (ADDRESS_SET in wire.words) is anew
        assert CLEAR_ALL not in wire.words, "whatever moves goes on"
        assert len(await received(wire.links[0])) == 2, "what was heard is heard"

    played(play)


def test_while_another_number_of_cameras_is_there_than_before_all_are_stopped_and_none_is_moved() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        wire.hears("B0 38 FF")
        wire.hears("88 30 07 FF")
        assert wire.words[:2] == [ADDRESS_SET, CLEAR_ALL]
        assert wire.words[2:] == [
            f"8{place} {stop}" for place in range(1, 7) for stop in ("01 06 01 01 01 03 03 FF", "01 04 07 00 FF")
        ]
        assert [await received(link) for link in wire.links] == [[LOST]] * 7
        assert "which is which" in str(wire.links[0].trouble)
        await asyncio.sleep(0.5)
        wire.said.clear()
        wire.links[3].send(DRIVE)
        wire.links[3].send(STOP)
        wire.hears("C0 41 FF C0 50 02 FF")  # whose it is, nobody knows
        await asyncio.sleep(0.1)
        assert wire.words == ["84 01 06 01 01 01 03 03 FF"]
        assert await received(wire.links[3]) == []
        await asyncio.sleep(1.6)
        wire.hears("88 30 08 FF")  # they are counted anew
        wire.links[3].send(POSITION)
        await asyncio.sleep(0.1)
        assert wire.words[1:] == [ADDRESS_SET, CLEAR_ALL, "84 09 06 12 FF"]
        assert wire.links[0].trouble is None

    played(play)


def test_a_camera_that_comes_back_has_all_cleared_once_and_no_move_is_ended_after_that() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.hears("B0 38 FF")
        wire.hears("88 30 07 FF")  # one is gone; they are counted anew after a while
        await asyncio.sleep(1.0)
        wire.said.clear()
        wire.hears("F0 38 FF")  # it is back meanwhile
        wire.hears("88 30 08 FF")
        await asyncio.sleep(0.1)
        wire.links[0].send(DRIVE)
        await asyncio.sleep(5.0)
        assert wire.words == [ADDRESS_SET, CLEAR_ALL, "81 01 06 01 0C 0C 02 03 FF"]

    played(play)


@pytest.mark.parametrize("count", ["88 30 03 FF", "88 30 01 FF", "88 30 09 FF", "88 30 0F FF"])
def test_a_count_that_nobody_asked_for_or_that_can_not_be_changes_nothing(count: str) -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        wire.said.clear()
        wire.hears(count)
        assert wire.links[0].trouble is None
        assert [await received(link) for link in wire.links] == [[]] * 7
        wire.hears("B0 38 FF")
        if count != "88 30 03 FF":
            wire.hears(count)
        wire.hears("88 30 08 FF")
        wire.links[0].send(DRIVE)
        await asyncio.sleep(3.0)
        assert wire.words == [ADDRESS_SET, "81 01 06 01 0C 0C 02 03 FF"]

    played(play)


def test_where_it_is_said_how_many_cameras_belong_there_fewer_are_not_moved() -> None:
    async def play(wire: Wire) -> None:
        wire.chain = Chain(9600, 7)
        link = wire.chain.join(1)
        wire.chain.begin(wire.write, fresh=True)
        wire.hears("88 30 07 FF")
        link.send(DRIVE)
        await asyncio.sleep(0.5)
        assert not any(word.startswith("81 01 06 01 0C") for word in wire.words)

    played(play)


def test_a_place_beyond_the_end_of_the_chain_is_told() -> None:
    async def play(wire: Wire) -> None:
        wire.chain.begin(wire.write, fresh=True)
        wire.hears("88 30 03 FF")
        told = [link.trouble for link in wire.links]
        assert told == [None] * 2 + ["the last camera on this port has taken address 2"] * 5

    played(play)


def test_of_one_that_is_silent_while_others_answer_a_likely_reason_is_told() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        answer = "50 00 00 00 00 00 00 00 00 FF"
        wire.hears(f"90 {answer} A0 {answer} B0 {answer} C0 {answer}")
        await asyncio.sleep(2.0)
        assert [link.trouble for link in wire.links[:4]] == [None] * 4
        await asyncio.sleep(1.5)
        wire.hears(f"90 {answer} B0 {answer}")
        assert [wire.links[place].trouble for place in (0, 2)] == [None, None]
        assert "nothing at address 2: a camera there" in str(wire.links[1].trouble)
        await asyncio.sleep(4.0)
        assert [link.trouble for link in wire.links] == [None] * 7, "nobody is heard any more"

    played(play)


def test_a_wire_that_goes_loses_every_conversation_and_what_waits_is_not_sent_on_the_next() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        for link in wire.links:
            link.send(DRIVE)
        wire.chain.end("the device has gone")
        assert [await received(link) for link in wire.links] == [[LOST]] * 7
        wire.links[0].send(DRIVE)
        assert wire.links[0].trouble == "the device has gone"
        wire.said.clear()
        await wire.begin()
        await asyncio.sleep(0.5)
        assert wire.words == ["FF", ADDRESS_SET, CLEAR_ALL]

    played(play)


def test_of_a_flood_no_more_is_kept_than_there_is_room_for() -> None:
    async def play(wire: Wire) -> None:
        await wire.begin()
        for _ in range(5000):
            wire.hears("90 50 02 FF")
            wire.chain.heard(b"\x00" * 40)  # no end to it
        assert len(await received(wire.links[0])) <= 256
        for _ in range(5000):
            wire.hears("90 50 02 FF")
        wire.chain.end("the device has gone")
        assert (await received(wire.links[0]))[-1] == LOST, "that finds room, however full it is"

    played(play)


def test_an_address_is_given_once_until_it_is_left() -> None:
    async def play(wire: Wire) -> None:
        with pytest.raises(ValueError, match="address 2"):
            wire.chain.join(2)
        wire.chain.leave(2)
        wire.chain.join(2)

    played(play)
