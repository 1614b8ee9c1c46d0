"""Up to seven cameras on one wire: who is spoken to, whose a reply is, and whose turn it is.

This is as much of VISCA as sharing a wire takes; no device and no clock but the loop's are in here. Towards each camera
a chain looks like a stream of its own to the one camera at address 1: addresses are written in and out on the way.

Whose turn it is. The wire carries 960 bytes a second at 9600 baud, so one message leaves at a time, and the next is
chosen when it has left: what ends motion before other commands, these before questions, cameras in turn. No more than
`QUESTIONS` are asked ahead of their answers, which come on one wire as well.

Addresses are set when the port has been opened, and IF_Clear to all follows: whoever held the port before holds it no
more, so no camera on it is in anybody's control. Not so where a guard opens it beside its holder, where a camera
restarts, which says "network change", and where nothing has answered for a while, when one may have said so unheard:
then addresses are set while cameras may be moving. Setting addresses alone moves and ends nothing, so nothing else is
said to all; meanwhile the chain carries what ends motion, and nothing besides.
Where more or fewer cameras have taken an address than belong there, or than before, a place may be another camera's: an
order would move the wrong head. Then every conversation is lost, as after a pulled cable, all are cleared and stopped,
and nothing but what ends motion is carried until a later count is right; then conversations begin anew.

Sources: SRG-300H technical manual and FCB-EH4300 VISCA reference (addresses, broadcasts, network change).
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable
from functools import partial
from math import inf

from .address import MOST_IN_A_CHAIN
from .link import LOST, Form
from .udp import RECEIVED_AT_MOST

END = b"\xff"
ADDRESS_SET = bytes.fromhex("88 30 01 FF")  # answered by 88 30 0w FF, where w is one more than there are cameras
CLEAR_ALL = bytes.fromhex("88 01 00 01 FF")
LONGEST_BYTES = 16
BITS_A_BYTE = 10  # 8N1
QUESTIONS = 3
ANSWER_SECONDS = 0.25  # then a question counts as lost
DEAD_SECONDS = 0.6  # of questions that nothing answers: then the wire was dead, and cameras may have restarted
ABSENT_SECONDS = 3.0  # without a word of one camera while others answer
WAITING_AT_MOST = 16  # messages of one camera; the conversation repeats what is lost
ADDRESSING_SECONDS = 0.4  # a camera passes it on within some pictures
ADDRESSINGS = 3  # some cameras obey it and do not answer
RECOUNT_SECONDS = 2.0  # while their number is not right
STOPS = (bytes.fromhex("01 06 01 01 01 03 03 FF"), bytes.fromhex("01 04 07 00 FF"))  # of the head, and of the zoom
HALTS = (
    bytes.fromhex("01 00 01 FF"),  # IF_Clear
    bytes.fromhex("01 04 07 00 FF"),  # zoom, and focus
    bytes.fromhex("01 04 08 00 FF"),
)
DRIVE, NO_DIRECTION = bytes.fromhex("01 06 01"), bytes.fromhex("03 03 FF")


class ChainLink:
    """One camera's part of the wire."""

    form: Form = "stream"

    def __init__(self, chain: Chain, place: int) -> None:
        self._chain = chain
        self._place = place
        self._received: asyncio.Queue[bytes] = asyncio.Queue(maxsize=RECEIVED_AT_MOST)

    @property
    def trouble(self) -> str | None:
        chain, place = self._chain, self._place
        return chain.trouble or chain.doubt or chain.missing(place) or chain.absent(place)

    def send(self, datagram: bytes) -> None:
        self._chain.send(self._place, datagram)

    def overtake(self) -> None:
        self._chain.overtake(self._place)

    async def receive(self) -> bytes:
        return await self._received.get()

    def take(self, message: bytes) -> None:
        """Take in a message of the camera, as of the one at address 1."""
        if not self._received.full():  # a flood must not grow without end
            self._received.put_nowait(message)

    def lose(self) -> None:
        """Take note that nothing that was said is answered any more."""
        while not self._received.empty():
            self._received.get_nowait()
        self._received.put_nowait(LOST)


class Chain:
    """See the module. Its owner says when there is a wire, `begin`, what comes on it, `heard`, and when it is gone."""

    def __init__(self, baud: int, cameras: int | None = None) -> None:
        """`cameras` is how many belong there; None: as many as are counted first."""
        self.trouble: str | None = "the port is not open yet"
        self._byte_seconds = BITS_A_BYTE / baud
        self._links: dict[int, ChainLink] = {}
        self._waiting: dict[int, deque[bytes]] = {}  # by place, those served longest ago first
        self._asked: dict[int, float] = {}  # until when an answer of this place is to be expected
        self._unanswered_since: float | None = None  # the first question since anything was heard
        self._heard_at: dict[int, float] = {}  # by place, the last word; the loop's time
        self._write: Callable[[bytes], None] | None = None
        self._begun = b""
        self._expected = cameras
        self._counted: int | None = None  # how many there were last
        self._addressing = 0  # how often addresses are still to be set, where nobody answers
        self._fresh = False  # whether all are to be cleared afterwards
        self._free_at = 0.0  # when the wire has carried what was written (loop time)
        self._timer: asyncio.TimerHandle | None = None
        self._addressing_timer: asyncio.TimerHandle | None = None
        self._loop = asyncio.get_running_loop()

    def join(self, place: int) -> ChainLink:
        """Return the link to the camera at a place. Raises ValueError where that is taken."""
        if place in self._links:
            raise ValueError(f"address {place} is taken")
        self._waiting[place] = deque()
        return self._links.setdefault(place, ChainLink(self, place))

    def leave(self, place: int) -> None:
        for each in (self._links, self._waiting, self._asked):
            each.pop(place, None)

    @property
    def doubt(self) -> str | None:
        """Why nobody knows which camera is at which place, in words."""
        if self._counted in (None, self._expected):
            return None
        return (
            f"{self._counted} have taken an address on this port, where {self._expected} cameras belong: nobody knows "
            "which is which"
        )

    def missing(self, place: int) -> str | None:
        """Return why nothing can be at a place, in words."""
        if self._counted is None or place <= self._counted:
            return None
        return f"the last camera on this port has taken address {self._counted}"

    def absent(self, place: int) -> str | None:
        """Return why nothing may be at a place, though others answer, in words."""
        now, heard_at = self._loop.time(), self._heard_at
        others = max((at for each, at in heard_at.items() if each != place), default=-inf)
        if now - others > ABSENT_SECONDS or now - heard_at.get(place, -inf) < ABSENT_SECONDS:
            return None
        return (
            f"others on this port answer, and nothing at address {place}: a camera there that is on may have lost its "
            "address, which it is given anew when it is switched off and on"
        )

    def begin(self, write: Callable[[bytes], None], *, fresh: bool) -> None:
        """There is a wire, into which `write` puts bytes at once; on a `fresh` one nobody is in control of a camera."""
        self._write = write
        self._free_at = self._loop.time()
        self.trouble = None
        self._say(END)  # ends what somebody may have left half said
        self._set_addresses(fresh=fresh)

    def end(self, reason: str) -> None:
        """There is no wire any more."""
        self.trouble = reason
        if self._write is None:
            return
        self._write = self._unanswered_since = None
        self._stop_timers()
        self._counted = None
        self._heard_at.clear()
        self._lose()

    def close(self) -> None:
        """Nobody needs it any more."""
        self._write = None
        self._stop_timers()

    # What the links say

    def send(self, place: int, message: bytes) -> None:
        """Have a message carried when it is its turn; it is lost where there is no wire, or addresses are being set."""
        if self._write is None or ((self._addressing or self.doubt) and not _halts(message)):
            return
        waiting = self._waiting[place]
        if len(waiting) < WAITING_AT_MOST:
            waiting.append(message)
            self._serve()

    def overtake(self, place: int) -> None:
        """Forget what waits at a place."""
        self._waiting[place].clear()

    def _serve(self) -> None:
        """Let the next message leave, if the wire is free."""
        now = self._loop.time()
        if self._write is None or (self._timer is not None and now < self._free_at):
            return
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if now >= self._free_at:
            place = self._next(now)
            if place is None:
                if any(self._waiting.values()) and self._asked:  # questions wait for answers, or until they are lost
                    self._timer = self._loop.call_at(min(self._asked.values()), self._served)
                return
            waiting = self._waiting.pop(place)
            self._waiting[place] = waiting  # the last in turn, from now on
            message = waiting.popleft()
            if _asks(message):
                self._asked[place] = now + ANSWER_SECONDS
                self._unanswered_since = self._unanswered_since or now
            self._say(bytes((0x80 | place,)) + message[1:])
        self._timer = self._loop.call_at(self._free_at, self._served)

    def _served(self) -> None:
        self._timer = None
        self._serve()

    def _next(self, now: float) -> int | None:
        self._asked = {place: until for place, until in self._asked.items() if until > now}
        most = 2 if len(self._asked) < QUESTIONS else 1
        urgencies = {place: _urgency(waiting[0]) for place, waiting in self._waiting.items() if waiting}
        may = [place for place, urgency in urgencies.items() if urgency <= most]
        return min(may, key=urgencies.__getitem__, default=None)

    def _say(self, data: bytes) -> None:
        if self._write is not None:
            self._free_at = max(self._free_at, self._loop.time()) + len(data) * self._byte_seconds
            self._write(data)

    # What comes

    def heard(self, data: bytes) -> None:
        """Take in what the wire brought, in whatever pieces."""
        *messages, self._begun = (self._begun + data).split(END)
        self._begun = self._begun[-LONGEST_BYTES:]  # what is longer is no message
        for message in messages:
            self._take(message + END)
        if messages:
            since, self._unanswered_since = self._unanswered_since, None
            if since is not None and self._loop.time() - since > DEAD_SECONDS and not self._addressing:
                self._set_addresses(fresh=False)

    def _take(self, message: bytes) -> None:
        start = next((at for at, byte in enumerate(message) if byte >= 0x88 and byte & 0x0F in (0, 8)), None)
        if start is None:
            return
        message = message[start:]  # what stands before it is noise
        if message[:2] == ADDRESS_SET[:2] and len(message) == len(ADDRESS_SET):
            self._count(message[2] - 1)
        elif message[1:] == b"\x38" + END:
            if not self._addressing:
                self._set_addresses(fresh=False)
        elif message[0] != 0x88 and not self.doubt and (place := (message[0] >> 4) - 8) in self._links:
            self._heard_at[place] = self._loop.time()
            if message[1] in (0x50, 0x60, 0x61, 0x62):  # an answer, or an error
                self._asked.pop(place, None)
            self._links[place].take(b"\x90" + message[1:])
            self._serve()

    # Addresses

    def _set_addresses(self, *, fresh: bool) -> None:
        self._fresh = self._fresh or fresh
        self._addressing = ADDRESSINGS
        for waiting in self._waiting.values():
            waiting.clear()
        self._asked.clear()
        self._address()

    def _address(self) -> None:
        self._say(ADDRESS_SET)
        if self._addressing_timer is not None:  # they would have been counted anew, or asked once more, anyhow
            self._addressing_timer.cancel()
        self._addressing_timer = self._loop.call_later(ADDRESSING_SECONDS, self._unanswered)

    def _unanswered(self) -> None:
        self._addressing -= 1
        if self._addressing:
            self._address()
        else:
            self._addressed()  # addresses may be set by switches, or silently

    def _count(self, cameras: int) -> None:
        if not self._addressing or not 0 < cameras <= MOST_IN_A_CHAIN:
            return
        doubted, self._counted = self.doubt, cameras
        self._expected = self._expected or cameras
        if self.doubt and not doubted:
            self._lose()
        self._fresh = self._fresh or bool(self.doubt or doubted)
        self._addressed()

    def _addressed(self) -> None:
        self._addressing = 0
        if self._addressing_timer is not None:
            self._addressing_timer.cancel()
        if self._fresh:
            self._fresh = False
            self._say(CLEAR_ALL)
        if self.doubt:
            for place in range(1, (self._counted or 0) + 1):
                for stop in STOPS:
                    self._say(bytes((0x80 | place,)) + stop)
            self._addressing_timer = self._loop.call_later(RECOUNT_SECONDS, partial(self._set_addresses, fresh=True))
        self._serve()

    def _lose(self) -> None:
        for waiting in self._waiting.values():
            waiting.clear()
        self._asked.clear()
        self._begun = b""
        for link in self._links.values():
            link.lose()

    def _stop_timers(self) -> None:
        for timer in (self._timer, self._addressing_timer):
            if timer is not None:
                timer.cancel()
        self._timer = self._addressing_timer = None
        self._addressing = 0


def _asks(message: bytes) -> bool:
    return message[1:2] == b"\x09"


def _halts(message: bytes) -> bool:
    """Whether a message ends motion, or clears the way for one that does."""
    cancels = len(message) == 3 and message[1] >> 4 == 2
    stops = message[1:4] == DRIVE and message[-3:] == NO_DIRECTION
    return cancels or stops or message[1:] in HALTS


def _urgency(message: bytes) -> int:
    """Return 0 for what ends motion, 1 for other commands, 2 for questions."""
    return 0 if _halts(message) else 2 if _asks(message) else 1
