"""One conversation with one camera: bytes and times go in, bytes and events come out.

Theory of operation
-------------------
Everything sent gets a *ticket*. A ticket is in one of these states, and this file alone changes them:

    state      | meaning                                              | leaves it when
    -----------+------------------------------------------------------+------------------------------------------
    QUEUED     | waits for the message before it                      | it is sent, or pushed aside
    ASKED      | sent; its ACK, answer or error has not come          | a reply comes, or all repeats are used up
    UNDERWAY   | a command that was acknowledged (or is known to have | completion, error, or its deadline
               | been performed though its ACK was lost)              |
    (over)     | ended with exactly one of Completed, Answered, Refused, Interrupted, Overdue, Unanswered

`send` keeps the published order: one message waits for its first reply at a time ([A], "send the next command only
after the first one's ACK or error"). `interrupt` doesn't: over IP every reply carries the number of the message that
it answers, so several messages may be in the air, and a stop must not wait for anybody's ACK.

What the camera says about numbers ([A], the table of what a repeat brings):

    0F 01 comes to ...          | then the message was            | and the conversation
    ----------------------------+---------------------------------+--------------------------------------------------
    a message sent once         | not performed: the camera's     | says Desynchronised, sends RESET, then all that was
                                | number is another's, or it has  | ASKED again with new numbers
                                | restarted                       |
    a repeated command          | performed before                | says PerformedUnheard; its completion may still come
    a repeated inquiry          | answered before                 | asks anew with a new number

Source [A]: SRG-300H technical manual, "VISCA over IP".
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .commands import Cancel, Command
from .dialect import Dialect
from .inquiries import Inquiry
from .nibbles import MessageError
from .packets import MESSAGE_ABNORMAL, RESET, SEQUENCE_ABNORMAL, Packet, PacketError, PayloadType
from .replies import Ack, Answer, Completion, ErrorCode, ErrorReply, parse_reply

LAST_SEQUENCE = 0xFFFFFFFF
SOCKETS = (1, 2)
FULL_TRIES = 10  # how often a pressing command is sent again to a camera whose sockets are full
FULL_PAUSE_SECONDS = 0.02


@dataclass(frozen=True, slots=True)
class Timing:
    """When to repeat. The published documents give no figures (common practice)."""

    first_repeat_seconds: float = 0.1  # doubled with each repeat
    longest_repeat_seconds: float = 0.5
    attempts: int = 7


@dataclass(frozen=True, slots=True)
class Linked:
    """The camera answered a RESET: both sides count from the same number."""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    ticket: int
    socket: int


@dataclass(frozen=True, slots=True)
class Completed:
    ticket: int


@dataclass(frozen=True, slots=True)
class Answered:
    ticket: int
    value: Any


@dataclass(frozen=True, slots=True)
class Refused:
    ticket: int
    code: ErrorCode


@dataclass(frozen=True, slots=True)
class Interrupted:
    """Pushed aside by `interrupt`: it may have been performed in part or not at all."""

    ticket: int


@dataclass(frozen=True, slots=True)
class PerformedUnheard:
    """The ACK was lost; the repeat showed that the command had been performed. Its completion may still come."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Overdue:
    """No completion came in time: it was lost, or the camera is slower than expected. Ask anew."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """Every repeat was lost: the camera is unreachable."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Desynchronised:
    """The camera counts otherwise than we do: it restarted, or somebody else speaks to it."""


@dataclass(frozen=True, slots=True)
class Ignored:
    datagram: bytes
    reason: str


Event = (
    Linked
    | Acknowledged
    | Completed
    | Answered
    | Refused
    | Interrupted
    | PerformedUnheard
    | Overdue
    | Unanswered
    | Desynchronised
    | Ignored
)


@dataclass(slots=True)
class _Ticket:
    number: int
    message: Command | Inquiry[Any]
    payload: bytes
    completion_seconds: float
    pressing: bool = False  # sent by `interrupt`: buffer full sends it again instead of ending it
    sequence: int = -1
    sent: int = 0  # how often, with this sequence number
    deadline: float = 0.0
    socket: int | None = None
    full: int = 0  # how often the camera's sockets were full


class Conversation:
    """See the module. Times are seconds of any clock that only runs forward."""

    def __init__(self, dialect: Dialect, timing: Timing | None = None) -> None:
        self._dialect = dialect
        self._timing = timing or Timing()
        self._numbers = 0  # tickets given
        self._sequence = 1
        self._queue: deque[_Ticket] = deque()
        self._asked: dict[int, _Ticket] = {}  # by sequence number
        self._underway: dict[int, _Ticket] = {}  # by sequence number
        self._linked = False
        self._resets = 0  # RESETs sent and not answered; 0 when none is awaited
        self._reset_deadline = 0.0
        self._out: list[bytes] = []
        self._events: list[Event] = []

    # Sending

    def start(self, now: float) -> None:
        """Begin anew: all that was pending is unanswered, and nothing but a RESET leaves until it is answered."""
        self._give_up()
        self._reset(now)

    def send(self, message: Command | Inquiry[Any], now: float, *, completion_seconds: float = 5.0) -> int:
        """Queue a message; return its ticket. Its completion is overdue `completion_seconds` after its ACK."""
        ticket = self._ticket(message, completion_seconds)
        self._queue.append(ticket)
        self._advance(now)
        return ticket.number

    def interrupt(self, messages: Sequence[Command], now: float, *, completion_seconds: float = 5.0) -> list[int]:
        """Send commands at once, ahead of all else, and cancel what the camera does; return their tickets.

        Everything pending ends as Interrupted and is never repeated, so that no older order can overtake.
        """
        sockets: set[int] = set()
        for ticket in self._asked.values():
            if not isinstance(ticket.message, Inquiry):
                sockets.update(SOCKETS)  # its socket is not known yet
        for ticket in self._underway.values():
            sockets.update(SOCKETS if ticket.socket is None else (ticket.socket,))
        for ticket in (*self._asked.values(), *self._underway.values(), *self._queue):
            self._say(ticket, Interrupted(ticket.number))
        self._asked.clear()
        self._underway.clear()
        self._queue.clear()
        for socket in sorted(sockets):
            self._queue.append(self._ticket(Cancel(socket), completion_seconds, pressing=True))
        tickets = [self._ticket(message, completion_seconds, pressing=True) for message in messages]
        self._queue.extend(tickets)
        self._advance(now)
        return [ticket.number for ticket in tickets]

    def datagrams(self) -> list[bytes]:
        """Return, once, what is to be sent now."""
        out, self._out = self._out, []
        return out

    # Time

    def deadline(self) -> float | None:
        """Return when `tick` is to be called, or None while nothing is awaited."""
        if self._events:
            return 0.0
        deadlines = [ticket.deadline for ticket in self._asked.values()]
        deadlines += [ticket.deadline for ticket in self._underway.values()]
        deadlines += [ticket.deadline for ticket in self._queue if ticket.full]
        if self._resets:
            deadlines.append(self._reset_deadline)
        return min(deadlines, default=None)

    def tick(self, now: float) -> list[Event]:
        """Repeat what was not answered, end what is overdue; return what that brought."""
        if self._resets and now >= self._reset_deadline:
            if self._resets >= self._timing.attempts:
                self._give_up()
            else:
                self._send_reset(now)
        for ticket in [each for each in self._asked.values() if now >= each.deadline]:
            if ticket.sent >= self._timing.attempts:
                self._give_up()
                break
            self._repeat(ticket, now)
        for ticket in [each for each in self._underway.values() if now >= each.deadline]:
            del self._underway[ticket.sequence]
            self._say(ticket, Overdue(ticket.number))
        self._advance(now)
        return self._drain()

    # Receiving

    def receive(self, datagram: bytes, now: float) -> list[Event]:
        """Take one datagram; return what it brought. Whatever it holds, nothing is raised."""
        try:
            packet = Packet.decode(datagram)
            match packet.payload_type:
                case PayloadType.CONTROL | PayloadType.CONTROL_REPLY:
                    self._control(packet, now)
                case PayloadType.REPLY:
                    self._reply(packet, now)
                case _:
                    raise PacketError("a camera sends replies, and this is none")
        except (PacketError, MessageError) as error:
            self._events.append(Ignored(datagram, str(error)))
        self._advance(now)
        return self._drain()

    def _control(self, packet: Packet, now: float) -> None:
        if packet.payload == RESET:
            if not self._resets:
                raise PacketError("an answer to a RESET that nobody awaits")
            self._resets = 0
            self._linked = True
            self._sequence = 1
            self._events.append(Linked())
            return
        ticket = self._asked.get(packet.sequence)
        if ticket is None:
            raise PacketError("an error about a message that nobody awaits")
        if packet.payload == MESSAGE_ABNORMAL:
            del self._asked[ticket.sequence]
            self._say(ticket, Refused(ticket.number, ErrorCode.SYNTAX))
        elif packet.payload == SEQUENCE_ABNORMAL:
            if ticket.sent == 1:
                self._events.append(Desynchronised())
                self._reset(now)
            elif isinstance(ticket.message, Inquiry):
                del self._asked[ticket.sequence]
                self._transmit(ticket, now)
            elif isinstance(ticket.message, Cancel):
                del self._asked[ticket.sequence]
            else:
                self._set_underway(ticket, None, now)
                self._events.append(PerformedUnheard(ticket.number))
        else:
            raise PacketError("a control message of an unknown kind")

    def _reply(self, packet: Packet, now: float) -> None:
        reply = parse_reply(packet.payload)
        asked = self._asked.get(packet.sequence)
        ticket = asked or self._underway.get(packet.sequence)
        if ticket is None:
            raise MessageError("a reply to a message that nobody awaits")
        inquiry = isinstance(ticket.message, Inquiry)
        match reply:
            case Ack(socket=socket) if not inquiry:
                if asked is not None:
                    self._set_underway(ticket, socket, now)
                    self._events.append(Acknowledged(ticket.number, socket))
                else:
                    ticket.socket = socket
            case Completion() if not inquiry:
                self._forget(ticket)
                self._say(ticket, Completed(ticket.number))
            case Answer(data=data) if isinstance(ticket.message, Inquiry):
                value = ticket.message.read(data, self._dialect)
                self._forget(ticket)
                self._say(ticket, Answered(ticket.number, value))
            case ErrorReply(code=ErrorCode.BUFFER_FULL) if ticket.pressing and ticket.full < FULL_TRIES:
                self._forget(ticket)
                ticket.full += 1
                ticket.deadline = now + FULL_PAUSE_SECONDS
                self._queue.append(ticket)
            case ErrorReply(code=code):
                self._forget(ticket)
                self._say(ticket, Refused(ticket.number, code))
            case _:
                raise MessageError("a reply that does not fit the message it answers")

    # Moving tickets from state to state

    def _ticket(self, message: Command | Inquiry[Any], completion_seconds: float, *, pressing: bool = False) -> _Ticket:
        self._numbers += 1
        return _Ticket(self._numbers, message, message.encode(self._dialect), completion_seconds, pressing)

    def _advance(self, now: float) -> None:
        """Send what may be sent: pressing messages at once, the others one at a time."""
        if self._resets:
            return
        if not self._linked:
            if self._queue:
                self._reset(now)
            return
        for _ in range(len(self._queue)):
            ticket = self._queue.popleft()
            if (ticket.full and now < ticket.deadline) or (self._asked and not ticket.pressing):
                self._queue.append(ticket)
            else:
                self._transmit(ticket, now)

    def _transmit(self, ticket: _Ticket, now: float) -> None:
        ticket.sequence = self._sequence
        self._sequence = 0 if self._sequence == LAST_SEQUENCE else self._sequence + 1
        ticket.sent = 0
        self._asked[ticket.sequence] = ticket
        self._repeat(ticket, now)

    def _repeat(self, ticket: _Ticket, now: float) -> None:
        kind = PayloadType.INQUIRY if isinstance(ticket.message, Inquiry) else PayloadType.COMMAND
        self._out.append(Packet(kind, ticket.sequence, ticket.payload).encode())
        ticket.deadline = now + self._pause(ticket.sent)
        ticket.sent += 1

    def _set_underway(self, ticket: _Ticket, socket: int | None, now: float) -> None:
        del self._asked[ticket.sequence]
        self._underway[ticket.sequence] = ticket
        ticket.socket = socket
        ticket.deadline = now + ticket.completion_seconds

    def _forget(self, ticket: _Ticket) -> None:
        self._asked.pop(ticket.sequence, None)
        self._underway.pop(ticket.sequence, None)

    def _say(self, ticket: _Ticket, event: Event) -> None:
        if not isinstance(ticket.message, Cancel):  # cancels are the conversation's own
            self._events.append(event)

    def _drain(self) -> list[Event]:
        events, self._events = self._events, []
        return events

    # Losing count, and losing the camera

    def _reset(self, now: float) -> None:
        """Count anew from a RESET. What was asked goes first afterwards; what was under way can't be told any more."""
        for ticket in self._underway.values():
            self._say(ticket, Overdue(ticket.number))
        self._underway.clear()
        self._queue.extendleft(reversed(self._asked.values()))
        self._asked.clear()
        self._linked = False
        self._resets = 0
        self._send_reset(now)

    def _send_reset(self, now: float) -> None:
        self._out.append(Packet(PayloadType.CONTROL, 0, RESET).encode())
        self._reset_deadline = now + self._pause(self._resets)
        self._resets += 1

    def _give_up(self) -> None:
        for ticket in (*self._asked.values(), *self._underway.values(), *self._queue):
            self._say(ticket, Unanswered(ticket.number))
        self._asked.clear()
        self._underway.clear()
        self._queue.clear()
        self._linked = False
        self._resets = 0

    def _pause(self, repeats: int) -> float:
        doubled = self._timing.first_repeat_seconds * float(2**repeats)
        return min(doubled, self._timing.longest_repeat_seconds)
