"""One conversation with one camera: bytes and times go in, bytes and events come out.

Theory of operation
-------------------
The conversation as a whole is *closed* (no RESET was answered yet, or the camera fell silent), *resetting* or *linked*.
Only when linked does anything but a RESET leave; what is sent while closed opens it with a RESET.

Everything sent gets a ticket, and every ticket ends in exactly one of Completed, Answered, Refused, Interrupted,
Overdue and Unanswered. On the way there, this file alone moves it between these states:

    state     what happens                              then
    --------  ----------------------------------------  ------------------------------------------------------------
    QUEUED    its turn comes                            sent with the next number: ASKED
    ASKED     ACK                                       Acknowledged: UNDERWAY
              answer                                    Answered
              completion (its ACK lost, or none due)    Completed, but for numbers reused: see below
              error "buffer full"                       QUEUED again, for a short while; then with a new number
              another error                             Refused
              nothing for a while                       repeated with the same number
              nothing to the last repeat                Unanswered, and so is every other ticket: closed
              0F 01 to its first sending, or while the  Desynchronised: resetting; all that was ASKED: QUEUED
              camera may have missed one before it
              0F 01 to a repeated inquiry               QUEUED, for the answer was lost: asked anew with a new number
              0F 01 to a repeated command               PerformedUnheard: UNDERWAY, in a socket that nobody knows
              ... that is not the last number sent      QUEUED: see below
    UNDERWAY  completion                                Completed
              "cancelled" where it was repeated         UNDERWAY, in a socket that nobody knows: by its own repeat
              another error                             Refused
              its socket is given to another            Overdue: it has ended, and how was lost
              its time is up                            Overdue
    any       `interrupt`                               Interrupted: never sent again, its replies are Ignored
              RESET not answered                        Unanswered: closed

`send` keeps the order that the document asks for: a message waits until the one before it has had its first reply. Two
exceptions keep the questions flowing: an inquiry, which needs no socket, overtakes commands that wait for one.

`interrupt` waits for nobody. Over IP each reply carries the number of the message it answers, so several may be in the
air: a Cancel for each socket that may be busy, then the commands, in one burst; and what was pushed aside may have been
lost, and is never repeated. Hence rules of its own. A 0F 01 to a repeat says "performed before" only if the camera is
known to have counted every number before it: one that missed a number refuses all later ones, again and again, and a
stop would be taken for performed that never was. It says so only of the last number sent, too; of an older one it may
also mean that the camera has heard a later number first, so that command is sent again. What is interrupted with must
be harmless when performed twice, as stops and absolute moves are. A Cancel is repeated only while no command waits for
its ACK, and is dropped when a newer command gets its socket: it must never hit the newer one. A camera that never
answers Cancel is not taken for a dead one. And where the sockets are full of commands that nobody here knows, left by a
stranger or from before a start, those are cancelled: a stop does not wait for strangers. It does wait for the commands
that came with it: a head that takes its time over a stop has no room for the third one yet, and to cancel the first two
would set it moving again.

A network may change the order of what leaves in one burst, and the camera then refuses most of it, again and again. So
where it misses a number soon after another, commands leave one at a time until it has replied for a while, and cancels
after them. Nor is a number forgotten that was interrupted: whoever drives orders anew faster than some cameras reply,
and only a 0F 01 to an order that does not count any more tells that none of them has arrived.

Where messages travel bare, a reply has no number, and one to a question that was sent again may be followed by another.
Until that has come, or comes no more, nothing is sent that can wait: its own reply would be taken for the other. What
commands bring is no answer to a question, so nothing waits for that: stops come again and again, and it would wait on.

Replies are matched by their number, and by their socket where both know it. Everything else (late, doubled, a
stranger's, garbage) is Ignored.

A RESET makes both sides number anew, but does not end what the camera performs: an old command 3 may report its end
when the new command 3 is lost. So, for as long as an old command with the same number may still report, an end counts
only for a command whose ACK told its socket, which the old one cannot share. Any other end is Ignored, and repeats show
what became of the command. All else that a camera says of an old number it says before it answers the RESET, on a
network that keeps the order.

Sources: SRG-300H technical manual, "VISCA over IP" (numbers, the table of losses, sockets); when to repeat and the
recovery by RESET are common practice.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from .commands import Cancel, Command, PanTiltRelative
from .dialect import Dialect
from .framing import OverIp, PacketFraming, Unreadable
from .inquiries import Inquiry
from .nibbles import MessageError
from .packets import MESSAGE_ABNORMAL, NUMBERS, RESET, SEQUENCE_ABNORMAL, Packet, PayloadType, following
from .replies import Ack, Answer, Completion, ErrorCode, ErrorReply, parse_reply
from .timing import ReplyTimes, Timing

SOCKETS = (1, 2)  # that every camera is taken to have; one that names a third has that, too
CANCEL_DONE = (ErrorCode.CANCELLED, ErrorCode.NO_SOCKET)  # either way nothing is in the socket any more
CALM_REPLIES = 30  # after so many, a network is taken to keep the order again
ECHO_GRACE_SECONDS = 0.03
ECHO_SECONDS = 0.1  # by which one reply may be later than another; assumed


@dataclass(frozen=True, slots=True)
class Linked:
    """The camera answered a RESET: both sides count from the same number."""


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """The camera has begun to perform the command."""

    ticket: int
    socket: int


@dataclass(frozen=True, slots=True)
class Completed:
    """The camera said that the command has ended."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Answered:
    """The camera answered the inquiry; the value is of the inquiry's type."""

    ticket: int
    value: Any


@dataclass(frozen=True, slots=True)
class Refused:
    """The camera answered with an error, or with something that can't be read; nothing more comes."""

    ticket: int
    code: ErrorCode


@dataclass(frozen=True, slots=True)
class Interrupted:
    """Pushed aside by `interrupt`: performed, performed in part, or not at all."""

    ticket: int


@dataclass(frozen=True, slots=True)
class PerformedUnheard:
    """The ACK was lost; the repeat showed that the command had been performed. Its completion may still come."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Overdue:
    """No completion came: it was lost, or the camera is slower than expected. Ask the camera where it stands."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Unanswered:
    """Every repeat was lost: the camera can't be reached."""

    ticket: int


@dataclass(frozen=True, slots=True)
class Desynchronised:
    """The camera counts otherwise than we do: it restarted, somebody else speaks to it, or part of a burst was lost."""


@dataclass(frozen=True, slots=True)
class Ignored:
    """A datagram that changed nothing."""

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


class _Unexpected(Exception):
    """A reply that nobody waits for."""


@dataclass(slots=True, eq=False)
class _Exchange:
    """One message and what has become of it."""

    ticket: int  # 0 for the conversation's own cancels
    message: Command | Inquiry[Any]
    payload: bytes
    completion_seconds: float
    urgent: bool
    inquiry: bool = False  # whether the message is one: asked so often that it is found out once
    victims: frozenset[int] = frozenset()  # a cancel's: the numbers of the commands that it is to end
    sequence: int = -1
    numbering: int = 0  # which one the number is of: each RESET begins another
    sent: int = 0  # how often, with this number
    outlived: int = 0  # how often it was cancelled for its own repeat
    sent_at: float = 0.0  # the first time
    again_at: float = 0.0  # the last sending
    renewals: int = 0  # how often it got a new number because the old one said nothing about it
    refusals: int = 0  # how often the camera's sockets were full
    full_until: float = 0.0  # when that is no longer put up with
    strangers_cancelled: bool = False  # to make room for it
    deadline: float = 0.0  # ASKED: of the reply; UNDERWAY: of the completion; QUEUED: not to be sent before
    socket: int | None = None

    @property
    def own(self) -> bool:
        """Whether it is a cancel that nobody but the conversation knows of."""
        return self.ticket == 0


class Conversation:
    """See the module. Times are seconds of any clock that only runs forward; nothing here raises on what comes in."""

    def __init__(self, dialect: Dialect, timing: Timing | None = None, framing: PacketFraming | None = None) -> None:
        """`framing` is how messages travel, as VISCA over IP where nothing else is said."""
        self._dialect = dialect
        self._framing = framing or OverIp()
        self._timing = timing or Timing()
        self._reply_times = ReplyTimes()
        self._tickets = 0
        self._linked = False
        self._resets = 0  # how often RESET was sent and not answered; 0 while none is awaited
        self._reset_deadline = 0.0
        self._desyncs = 0  # in a row
        self._calm = CALM_REPLIES  # replies since the camera last missed a number
        self._stormy = False  # whether it misses one again and again
        self._numbering = 0  # how often both sides have begun to number anew
        # By numbering and number: until when a command, of which no end was heard, may report it.
        self._may_report: dict[tuple[int, int], float] = {}
        self._number = 0  # the last sequence number sent
        self._counted = 0  # the last that the camera is known to have counted, and with it all before
        self._urgent: list[_Exchange] = []  # QUEUED, to leave without waiting; in the order of their tickets
        self._queue: deque[_Exchange] = deque()  # QUEUED, to leave one at a time
        self._asked: dict[int, _Exchange] = {}  # by number, in the order sent
        self._let_go: set[int] = set()  # numbers since the last RESET of what was sent once, and then interrupted
        self._underway: list[_Exchange] = []
        self._sockets = set(SOCKETS)  # that the camera has, as far as is known
        self._busy: set[int] = set()  # sockets in which something may be performed
        self._doubt = False  # whether something may be performed in a socket that nobody knows
        # Which question was answered that had been sent again, and until when another answer may come: taken
        # then for one to the next message.
        self._echo: tuple[int, float] | None = None
        self._echo_due = False  # whether that time was over once
        self._outgoing: list[bytes] = []
        self._events: list[Event] = []

    # What the owner calls

    def start(self, now: float) -> None:
        """Begin anew: all that was pending is unanswered, and nothing leaves before a RESET is answered."""
        self._close()
        self._reply_times.forget()
        self._send_reset(now)

    def lose(self, now: float) -> None:
        """Begin anew on another connection: nothing that was sent before will be answered on it."""
        self._framing.forget()
        self.start(now)

    def send(self, message: Command | Inquiry[Any], now: float, *, completion_seconds: float = 5.0) -> int:
        """Queue a message and return its ticket; a command is overdue `completion_seconds` after its ACK.

        Raises ValueError for a command that its message can't carry.
        """
        exchange = self._exchange(message, completion_seconds, urgent=False)
        self._queue.append(exchange)
        self._advance(now)
        return exchange.ticket

    def interrupt(self, messages: Sequence[Command], now: float, *, completion_seconds: float = 5.0) -> list[int]:
        """Send commands ahead of all else, at once, and end what the camera does; return their tickets.

        All that was pending ends as Interrupted. For commands that may be performed twice, as stops and absolute moves.
        Raises ValueError, and then nothing is interrupted, for a command that its message can't carry.
        """
        exchanges = [self._exchange(message, completion_seconds, urgent=True) for message in messages]
        self._urgent = [*self._cancels(), *exchanges]
        self._advance(now)
        return [exchange.ticket for exchange in exchanges]

    @property
    def repeat_seconds(self) -> float:
        """After how long an urgent command is repeated, as things stand now."""
        return self._timing.pause(0, self._reply_times.measured_seconds, urgent=True)

    def datagrams(self) -> list[bytes]:
        """Return what is to be sent now, once."""
        outgoing, self._outgoing = self._outgoing, []
        return outgoing

    def receive(self, datagram: bytes, now: float) -> list[Event]:
        """Take what the link brought from the camera; return what happened."""
        for packet in self._framing.unwrap(datagram):
            if self._echo is not None and not self._framing.may_mistake(self._echo[0]):
                self._echo = None
            if isinstance(packet, Unreadable):
                self._events.append(Ignored(*packet))
                continue
            try:
                self._heard(packet, now)
            except (MessageError, _Unexpected) as reason:
                self._events.append(Ignored(datagram, str(reason)))
        self._advance(now)
        return self._drained()

    def tick(self, now: float) -> list[Event]:
        """Repeat what was not answered, end what is overdue; return what happened."""
        if self._echo is not None and now >= self._echo[1]:
            if self._echo_due:
                self._framing.give_up(self._echo[0])
                self._echo = None
            else:  # where this computer stood still, what has come is yet to be looked at
                self._echo, self._echo_due = (self._echo[0], now + ECHO_GRACE_SECONDS), True
        if self._resets and now >= self._reset_deadline:
            if self._resets < (self._timing.urgent_attempts if self._urgent else self._timing.attempts):
                self._send_reset(now)
            else:
                self._close()
        for exchange in [each for each in self._answerable() if now >= each.deadline]:
            if exchange.sent < (self._timing.urgent_attempts if exchange.urgent else self._timing.attempts):
                self._transmit_again(exchange, now)
            elif exchange.own:
                self._settle_cancel(exchange, now)
            else:
                self._close()
                break
        for exchange in [each for each in self._underway if now >= each.deadline]:
            self._lose(exchange)
        self._advance(now)
        return self._drained()

    def deadline(self) -> float | None:
        """Return when `tick` is to be called, or None while nothing is waited for."""
        if self._events:
            return 0.0
        if not (self._asked or self._underway or self._urgent or self._queue or self._resets):
            return None
        deadlines = [exchange.deadline for exchange in self._underway]
        if self._resets:
            deadlines.append(self._reset_deadline)
        else:
            deadlines += [exchange.deadline for exchange in self._answerable()]
            if not self._one_at_a_time():
                deadlines += [exchange.deadline for exchange in self._urgent if not exchange.own]
            if self._queue and not self._urgent and all(each.own for each in self._asked.values()):
                echo = 0.0 if self._echo is None else self._echo[1]
                deadlines.append(max(echo, self._queue[0].deadline))  # the camera was full when it had its turn
        return min(deadlines, default=None)

    # Sending

    def _exchange(self, message: Command | Inquiry[Any], completion_seconds: float, *, urgent: bool) -> _Exchange:
        payload = message.encode(self._dialect)
        self._tickets += 1
        return _Exchange(self._tickets, message, payload, completion_seconds, urgent, isinstance(message, Inquiry))

    def _cancels(self) -> list[_Exchange]:
        """End all that is pending as Interrupted; return a cancel for each socket that may be busy."""
        pending = self._pending()
        commands = [each for each in pending if each.sequence >= 0 and not each.inquiry]
        if self._doubt or any(each.socket is None for each in commands):
            self._busy.update(self._sockets)
        victims = frozenset(each.sequence for each in commands)
        self._let_go.update(each.sequence for each in self._asked.values() if each.sent == 1)
        self._forget_all()
        self._doubt = False
        self._events += [Interrupted(each.ticket) for each in pending if not each.own]
        return self._cancels_of(self._busy, victims)

    def _cancels_of(self, sockets: Iterable[int], victims: frozenset[int] = frozenset()) -> list[_Exchange]:
        cancels = [Cancel(socket) for socket in sorted(sockets)]
        return [_Exchange(0, each, each.encode(self._dialect), 0.0, True, victims=victims) for each in cancels]

    def _advance(self, now: float) -> None:
        """Send what may leave now."""
        if not self._urgent and not self._queue:
            return
        if not self._linked:
            if not self._resets:
                self._send_reset(now)
            return
        if self._urgent:
            urgent, self._urgent = self._urgent, []
            for exchange in sorted(urgent, key=lambda each: self._stormy and each.own):
                if exchange.deadline > now or (exchange.own and self._command_asked()) or self._one_at_a_time():
                    self._urgent.append(exchange)
                else:
                    self._transmit(exchange, now)
        if self._echo is not None:
            return
        for exchange in self._asked.values():
            if not exchange.own:
                return
        blocked = bool(self._urgent)
        for index, exchange in enumerate(self._queue):
            if exchange.inquiry or (not blocked and exchange.deadline <= now):
                del self._queue[index]
                self._transmit(exchange, now)
                return
            blocked = True

    def _transmit(self, exchange: _Exchange, now: float) -> None:
        """Send with the next number."""
        self._number = following(self._number)
        exchange.sequence = self._number
        exchange.numbering = self._numbering
        exchange.sent = exchange.outlived = 0
        if not exchange.inquiry:
            self._may_report = {which: until for which, until in self._may_report.items() if until > now}
        self._asked[exchange.sequence] = exchange
        self._transmit_again(exchange, now)

    def _transmit_again(self, exchange: _Exchange, now: float) -> None:
        kind = PayloadType.INQUIRY if exchange.inquiry else PayloadType.COMMAND
        self._say(Packet(kind, exchange.sequence, exchange.payload))
        times = self._reply_times
        expected = times.measured_seconds if exchange.urgent else times.expected_seconds
        exchange.deadline = now + self._timing.pause(exchange.sent, expected, urgent=exchange.urgent)
        if not exchange.sent:
            exchange.sent_at = now
        exchange.again_at = now
        exchange.sent += 1
        if not exchange.inquiry:
            self._may_report[exchange.numbering, exchange.sequence] = now + exchange.completion_seconds

    def _say(self, packet: Packet) -> None:
        if data := self._framing.wrap(packet):
            self._outgoing.append(data)

    def _send_reset(self, now: float) -> None:
        self._linked = False
        self._let_go.clear()
        self._say(Packet(PayloadType.CONTROL, 0, RESET))
        expected = self._reply_times.measured_seconds
        self._reset_deadline = now + self._timing.pause(self._resets, expected, urgent=bool(self._urgent))
        self._resets += 1

    # Hearing

    def _heard(self, packet: Packet, now: float) -> None:
        if packet.payload_type is PayloadType.REPLY:
            self._heard_reply(packet, now)
        elif packet.payload_type in (PayloadType.CONTROL, PayloadType.CONTROL_REPLY):
            self._heard_control(packet, now)
        else:
            raise _Unexpected(f"a camera sends no {packet.payload_type.name.lower().replace('_', ' ')}")

    def _heard_control(self, packet: Packet, now: float) -> None:
        if packet.payload == RESET:
            if not self._resets or packet.payload_type is not PayloadType.CONTROL_REPLY:
                raise _Unexpected("no RESET was waiting for an answer")
            self._resets = 0
            self._linked = True
            self._number = self._counted = 0
            self._numbering += 1
            self._events.append(Linked())
            return
        exchange = self._asked.get(packet.sequence)
        if exchange is None:
            if packet.sequence in self._let_go and packet.payload == SEQUENCE_ABNORMAL:
                self._desynchronise(now)
                return
            raise _Unexpected(f"nothing with number {packet.sequence} waits for a reply")
        if packet.payload == SEQUENCE_ABNORMAL:
            self._heard_number_refused(exchange, now)
        elif packet.payload == MESSAGE_ABNORMAL:
            self._refuse(exchange, ErrorCode.SYNTAX, now)
        else:
            raise _Unexpected(f"{packet.payload.hex(' ')} is no control code")

    def _heard_number_refused(self, exchange: _Exchange, now: float) -> None:
        repeatable = not isinstance(exchange.message, PanTiltRelative)  # performed twice, it turns twice as far
        if exchange.sent == 1 or (repeatable and not self._counted_all_before(exchange)):
            self._desynchronise(now)
            return
        self._count(exchange.sequence)
        if exchange.inquiry or (repeatable and exchange.sequence != self._number):
            self._renew(exchange)
        elif isinstance(exchange.message, Cancel):
            self._settle_cancel(exchange, now)
        else:
            self._begin_unheard(exchange, now)

    def _heard_reply(self, packet: Packet, now: float) -> None:
        reply = parse_reply(packet.payload)
        asked = self._asked.get(packet.sequence)
        self._let_go.discard(packet.sequence)
        match reply:
            case Ack(socket=socket):
                self._begin(self._waiting_for_ack(packet.sequence), socket, now)
            case Completion(socket=socket):
                exchange = self._addressed(packet.sequence, socket)
                self._require_end_of_its_own(exchange, socket, now)
                if exchange.inquiry:
                    self._refuse(exchange, ErrorCode.UNREADABLE, now)
                elif isinstance(exchange.message, Cancel):
                    self._settle_cancel(exchange, now)
                else:
                    self._end(exchange, Completed(exchange.ticket), now)
            case Answer(data=data):
                self._heard_answer(self._asked.get(packet.sequence), data, now)
            case ErrorReply(socket=socket, code=code):
                self._heard_error(packet.sequence, socket, code, now)
        if asked is not None and self._asked.get(packet.sequence) is not asked:
            self._count(packet.sequence)
            if asked.sent == 1:
                self._reply_times.heard_after(now - asked.sent_at)
            else:
                if asked.inquiry and self._framing.may_mistake(packet.sequence):
                    # It came as late as that at most, and the last sending was as long ago as that.
                    late = now - asked.sent_at + max(ECHO_SECONDS, self._reply_times.measured_seconds or 0.0)
                    self._echo, self._echo_due = (packet.sequence, asked.again_at + late), False
                self._reply_times.back_off(self._timing.pause(0, self._reply_times.expected_seconds))
        self._desyncs = 0
        self._calm += 1
        self._stormy = self._stormy and self._calm < CALM_REPLIES

    def _heard_answer(self, exchange: _Exchange | None, data: bytes, now: float) -> None:
        if exchange is None or not isinstance(exchange.message, Inquiry):
            raise _Unexpected("no inquiry with this number waits for an answer")
        try:
            value = exchange.message.read(data, self._dialect)
        except MessageError:
            self._refuse(exchange, ErrorCode.UNREADABLE, now)
        else:
            self._end(exchange, Answered(exchange.ticket, value), now)

    def _heard_error(self, sequence: int, socket: int, code: ErrorCode, now: float) -> None:
        for cancel in self._asked.values():
            # Some cameras answer a cancel with the number of the command that it has ended.
            about_it = cancel.own and cancel.payload[1] == 0x20 | socket and sequence in cancel.victims
            if about_it and code in CANCEL_DONE and sequence not in self._asked:
                self._settle_cancel(cancel, now)
                return
        exchange = self._addressed(sequence, socket)
        if isinstance(exchange.message, Cancel) and code in CANCEL_DONE:
            self._settle_cancel(exchange, now)
            return
        if code is ErrorCode.CANCELLED:
            self._require_end_of_its_own(exchange, socket, now)
            if exchange.outlived < exchange.sent - 1 and not exchange.inquiry:
                self._outlive(exchange, now)
                return
        if code is ErrorCode.BUFFER_FULL and sequence in self._asked and not exchange.own:
            self._hold(exchange, now)
        else:
            self._refuse(exchange, code, now)

    def _waiting_for_ack(self, sequence: int) -> _Exchange:
        exchange = self._asked.get(sequence)
        if exchange is not None and not (exchange.inquiry or isinstance(exchange.message, Cancel)):
            return exchange
        for unheard in self._underway:
            if unheard.sequence == sequence and unheard.socket is None:
                return unheard
        raise _Unexpected(f"no command with number {sequence} waits for an ACK")

    def _addressed(self, sequence: int, socket: int) -> _Exchange:
        """Return what a completion or an error is about.

        A command from before a RESET may have the number of one from after it: then the socket decides.
        """
        about = [each for each in self._underway if each.sequence == sequence]
        for exchange in about:
            if exchange.socket == socket:
                return exchange
        if sequence in self._asked:
            return self._asked[sequence]
        for exchange in about:
            if exchange.socket is None or socket == 0:
                return exchange
        raise _Unexpected(f"nothing with number {sequence} in socket {socket} waits for a reply")

    def _require_end_of_its_own(self, exchange: _Exchange, socket: int, now: float) -> None:
        """Raise _Unexpected if the reported end may be that of a command with the same number in another numbering."""
        if exchange.socket is not None:
            return
        if exchange.inquiry and socket == 0:
            return  # no command's, but an answer that can't be read
        for (numbering, number), until in self._may_report.items():
            if number == exchange.sequence and numbering != exchange.numbering and now < until:
                raise _Unexpected(f"it may be about a command {number} from before the RESET")

    # Moving an exchange from state to state

    def _begin(self, exchange: _Exchange, socket: int, now: float) -> None:
        for older in [each for each in self._underway if each.socket == socket]:
            self._lose(older)
        self._asked.pop(exchange.sequence, None)
        self._drop_cancels([socket])
        if exchange not in self._underway:
            self._underway.append(exchange)
            exchange.deadline = now + exchange.completion_seconds
        exchange.socket = socket
        self._busy.add(socket)
        self._sockets.add(socket)
        self._events.append(Acknowledged(exchange.ticket, socket))

    def _begin_unheard(self, exchange: _Exchange, now: float) -> None:
        del self._asked[exchange.sequence]
        self._drop_cancels(self._sockets)
        self._underway.append(exchange)
        exchange.deadline = now + exchange.completion_seconds
        self._events.append(PerformedUnheard(exchange.ticket))

    def _outlive(self, exchange: _Exchange, now: float) -> None:
        """A camera that does not look at numbers performs a repeat too, and cancels for it what it performed before."""
        exchange.outlived += 1
        if exchange in self._underway:
            self._busy -= {exchange.socket}
            exchange.socket = None
        else:
            self._begin_unheard(exchange, now)

    def _end(self, exchange: _Exchange, event: Event, now: float) -> None:
        self._forget(exchange)
        self._may_report.pop((exchange.numbering, exchange.sequence), None)
        if exchange.socket is not None:
            self._busy.discard(exchange.socket)
        if not exchange.inquiry:
            self._release(now)
        self._events.append(event)

    def _refuse(self, exchange: _Exchange, code: ErrorCode, now: float) -> None:
        if exchange.own:
            self._settle_cancel(exchange, now)
        else:
            self._end(exchange, Refused(exchange.ticket, code), now)

    def _lose(self, exchange: _Exchange) -> None:
        """Give an UNDERWAY command up. Its socket stays busy, as far as is known."""
        self._underway.remove(exchange)
        self._doubt = self._doubt or exchange.socket is None
        self._events.append(Overdue(exchange.ticket))

    def _settle_cancel(self, exchange: _Exchange, now: float) -> None:
        """A cancel has done its work, or there was none to do; nothing is in its socket any more."""
        assert isinstance(exchange.message, Cancel)
        self._forget(exchange)
        self._busy.discard(exchange.message.socket)
        if not exchange.own:
            self._events.append(Completed(exchange.ticket))
        if not any(each.own for each in self._asked.values()):
            self._release(now)

    def _drop_cancels(self, sockets: Iterable[int]) -> None:
        """Forget cancels for sockets that a newer command may hold."""
        payloads = {0x20 | socket for socket in sockets}
        for cancel in [each for each in self._asked.values() if each.own and each.payload[1] in payloads]:
            del self._asked[cancel.sequence]
        self._urgent = [each for each in self._urgent if not (each.own and each.payload[1] in payloads)]

    def _hold(self, exchange: _Exchange, now: float) -> None:
        """Both sockets are full: wait until one is free, or a short while, for a stranger's command may be in it."""
        del self._asked[exchange.sequence]
        if not exchange.refusals:
            exchange.full_until = now + exchange.completion_seconds
        if now >= exchange.full_until:
            self._events.append(Refused(exchange.ticket, ErrorCode.BUFFER_FULL))
            return
        cancels: list[_Exchange] = []
        if exchange.urgent and not any(each.own for each in (*self._urgent, *self._asked.values())):
            cancels = self._cancels_of_strangers(exchange)
        exchange.deadline = now + self._timing.pause(exchange.refusals)
        exchange.refusals += 1
        self._queue_again([*cancels, exchange])

    def _cancels_of_strangers(self, refused: _Exchange) -> list[_Exchange]:
        """Cancel, once, what nobody here knows of and fills the sockets; never a command of our own, such as a stop."""
        ours = [each for each in (*self._asked.values(), *self._underway) if not each.inquiry and not each.own]
        if refused.strangers_cancelled or (ours and not refused.refusals) or any(each.socket is None for each in ours):
            return []  # ours may well be what fills them, and end in a moment
        refused.strangers_cancelled = True
        held = {each.socket for each in ours}
        self._busy.update(self._sockets)
        return self._cancels_of([socket for socket in self._sockets if socket not in held])

    def _release(self, now: float) -> None:
        for exchange in (*self._urgent, *self._queue):
            exchange.deadline = min(exchange.deadline, now)

    def _renew(self, exchange: _Exchange) -> None:
        exchange.renewals += 1
        if exchange.renewals > self._timing.attempts:
            self._close()
            return
        del self._asked[exchange.sequence]
        exchange.deadline = 0.0
        self._queue_again([exchange])

    def _queue_again(self, exchanges: Sequence[_Exchange]) -> None:
        """Put exchanges first among those that wait, in the order in which they were asked for."""
        self._urgent = sorted(
            [*self._urgent, *(each for each in exchanges if each.urgent)], key=lambda each: each.ticket
        )
        self._queue.extendleft(reversed([each for each in exchanges if not each.urgent]))

    def _desynchronise(self, now: float) -> None:
        self._events.append(Desynchronised())
        self._desyncs += 1
        self._stormy, self._calm = self._calm < CALM_REPLIES, 0
        if self._desyncs > self._timing.attempts:
            self._close()
            return
        asked = list(self._asked.values())
        self._asked.clear()
        for exchange in asked:
            exchange.deadline = 0.0
        self._queue_again(asked)
        self._send_reset(now)

    def _close(self) -> None:
        """The camera fell silent: nothing that is pending will be answered."""
        pending = self._pending()
        self._doubt = self._doubt or any(each.sequence >= 0 and not each.inquiry for each in pending)
        self._events += [Unanswered(each.ticket) for each in pending if not each.own]
        self._forget_all()
        self._linked = False
        self._resets = 0
        self._desyncs = 0

    def _forget(self, exchange: _Exchange) -> None:
        if exchange in self._underway:
            self._underway.remove(exchange)
        else:
            self._asked.pop(exchange.sequence, None)

    def _forget_all(self) -> None:
        self._echo = None
        self._asked.clear()
        self._underway.clear()
        self._urgent.clear()
        self._queue.clear()

    # Looking

    def _counted_all_before(self, exchange: _Exchange) -> bool:
        """Whether the camera is known to have counted every number before that of an exchange."""
        ahead = (exchange.sequence - self._counted) % NUMBERS
        return ahead <= 1 or ahead >= NUMBERS // 2

    def _count(self, sequence: int) -> None:
        if 0 < (sequence - self._counted) % NUMBERS < NUMBERS // 2:
            self._counted = sequence

    def _pending(self) -> list[_Exchange]:
        every = (*self._asked.values(), *self._underway, *self._urgent, *self._queue)
        return sorted(every, key=lambda each: each.ticket)

    def _command_asked(self) -> bool:
        for each in self._asked.values():  # noqa: SIM110 - asked with every datagram, and a generator costs as much again
            if not each.inquiry and not each.own:
                return True
        return False

    def _one_at_a_time(self) -> bool:
        """Whether what is urgent waits for the reply before it."""
        return self._stormy and any(not each.own for each in self._asked.values())

    def _answerable(self) -> list[_Exchange]:
        """What is to be repeated when its time comes: cancels not while a newer command waits for its ACK."""
        if self._command_asked():
            return [each for each in self._asked.values() if not each.own]
        return list(self._asked.values())

    def _drained(self) -> list[Event]:
        events, self._events = self._events, []
        return events
