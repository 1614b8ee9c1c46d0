"""A simulated camera as it answers on the wire, with no socket and no clock: datagrams and times go in and out.

Theory of operation. What arrives waits in the inbox until the camera's processor gets to it, a few milliseconds
later; messages are taken strictly in turn. A command either is done at once (its ACK and completion leave
together) or sets motors going and then holds one of the two sockets until they rest. A newer command for the
same motors takes them over: the older one ends as cancelled. Where units differ in this, `Habits` says how.
Everything that leaves is collected in an outbox with the peer that it is for; a peer is anything hashable, such
as a UDP address.

Replies are those of the SRG-300H technical manual, chapters "VISCA over IP" and "Command list".
"""

from __future__ import annotations

import math
import random
from collections import deque
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace

from ptzd.visca import (
    MESSAGE_ABNORMAL,
    RESET,
    SEQUENCE_ABNORMAL,
    Ack,
    Answer,
    Cancel,
    Clear,
    Command,
    Completion,
    Dialect,
    ErrorCode,
    ErrorReply,
    MessageError,
    Packet,
    PacketError,
    PayloadType,
    parse_command,
    parse_inquiry,
)

from .body import STOPPED, Body, Done, Motors, Refusal
from .habits import Habits
from .latency import Latency
from .mount import Mount
from .numbers import SequenceNumbers
from .truth import Truth

HEADER_BYTES = 8
BARE = -1  # what stands for a number where none travels
SHORTEST_MESSAGE_BYTES = 3


@dataclass(frozen=True, slots=True)
class _Arrival:
    taken_at: float
    datagram: bytes
    peer: Hashable
    bare: bool  # a message alone, with no header


@dataclass(frozen=True, slots=True)
class _Running:
    """A command that holds a socket: until its motors rest, or until a stop takes effect."""

    peer: Hashable
    sequence: int
    motors: Motors
    completes_at: float | None  # None: overtaken, and kept until its motors rest, whoever moves them
    stop: Command | None = None  # the order to stop that takes effect then


@dataclass(frozen=True, slots=True)
class Knock:
    """How a camera stands turned on its mount: to the right, then up, then clockwise about where it looks at home."""

    right_deg: float = 0.0
    up_deg: float = 0.0
    clockwise_deg: float = 0.0


PLUMB = Knock()


class SimulatedCamera:
    """One camera. Hand it what arrives with `receive`, fetch what leaves with `due`, no later than `next_due`.

    What may go wrong with it is switched on by setting until when it lasts, in the loop's time:

    - `refuses_stops_until`: each order to stop, and each Cancel and Clear, is answered with error 41;
    - `ignores_stops_until`: each of these is answered as ever, and the motors go on;
    - `silent_until`: nothing arrives and nothing leaves, as with its network away. The motors go on.

    - `pull(until)` pulls its cable, whatever that carries.

    What its picture tells and its readings do not: `knocked`, how it stands turned on its mount, and `zoom_slipped`, by
    which share it shows all larger than at its zoom position.
    """

    def __init__(
        self,
        dialect: Dialect,
        *,
        truth: Truth,
        mount: Mount,
        started_at: float = 0.0,
        ready: bool = False,
        habits: Habits = Habits(),  # noqa: B008 - it is frozen
    ) -> None:
        """Switch it on at `started_at`. It starts up for `truth.startup_seconds`, unless it is `ready` at once."""
        rng = random.Random(truth.seed)
        self.dialect = dialect
        self.habits = habits
        self.refuses_stops_until = -math.inf
        self.ignores_stops_until = -math.inf
        self.silent_until = -math.inf
        self.pull: Callable[[float], None] = self.fall_silent
        self.restarted: Callable[[], None] = lambda: None  # hears of a restart
        self.knocked = PLUMB
        self.zoom_slipped = 0.0
        self.body = Body(dialect, truth, mount, habits, rng)
        self.head, self.lens = self.body.head, self.body.lens  # as they truly are, for whoever compares
        self._latency = Latency(truth.least_latency_seconds, truth.most_latency_seconds, truth.picture_seconds, rng)
        self._numbers = SequenceNumbers(habits.numbers)
        self._inbox: deque[_Arrival] = deque()
        self._outbox: list[tuple[Hashable, bytes]] = []
        self._sockets: dict[int, _Running] = {}
        if ready:
            self.body.wake_at_home(started_at)
        else:
            self.body.start_up(started_at)

    def fall_silent(self, until: float) -> None:
        """Be `silent_until` then."""
        self.silent_until = until

    # The wire

    def receive(self, datagram: bytes, peer: Hashable, now: float, *, bare: bool = False) -> None:
        """Take in one datagram from `peer`; it is looked at some milliseconds later, after all before it.

        A `bare` one is a message alone, and is answered so.
        """
        if now < self.silent_until:
            return
        previous = self._inbox[-1].taken_at if self._inbox else now
        self._inbox.append(_Arrival(max(self._latency.after(now), previous), datagram, peer, bare))

    def forget(self, peer: Hashable) -> None:
        """Answer nothing more to a peer that has gone. What it has ordered goes on."""
        self._inbox = deque(each for each in self._inbox if each.peer != peer)
        self._outbox = [each for each in self._outbox if each[0] != peer]

    def next_due(self) -> float | None:
        """When something is to be done next; None while nothing will happen by itself."""
        due = self._inbox[0].taken_at if self._inbox else None
        for running in self._sockets.values():
            completes_at = self._completes_at(running)
            if due is None or completes_at < due:
                due = completes_at
        return due

    def due(self, now: float) -> list[tuple[Hashable, bytes]]:
        """Do all that is to be done by `now` and return the datagrams that leave, each with its peer."""
        while (at := self.next_due()) is not None and at <= now:
            self._complete(at)
            if self._inbox and self._inbox[0].taken_at <= at:
                arrival = self._inbox.popleft()
                if arrival.bare:
                    self._take_bare(arrival.datagram, arrival.peer, at)
                else:
                    self._take(arrival.datagram, arrival.peer, at)
        leaving, self._outbox = self._outbox, []
        return leaving if now >= self.silent_until else []

    def moved_by_another(self, command: Command, now: float) -> None:
        """Do what somebody else tells it, over another way: a panel, a second controller that shares no numbers.

        Raises `Refusal`. What it says to others about it leaves with whatever it says next.
        """
        self._take_over(self.body.perform(command, now).motors)

    def power_cut(self, now: float) -> None:
        """Lose power for a moment: whatever was going on is forgotten, and the camera starts up anew."""
        self._inbox.clear()
        self._outbox.clear()
        self._sockets.clear()
        self._numbers.reset()
        self.body.power_cut(now)
        self.restarted()

    def _completes_at(self, running: _Running) -> float:
        return self.body.rests_at(running.motors) if running.completes_at is None else running.completes_at

    def _complete(self, now: float) -> None:
        for socket, running in sorted(self._sockets.items()):
            if self._sockets.get(socket) is not running or self._completes_at(running) > now:
                continue  # overtaken by a stop that took effect just now, or not at its end
            del self._sockets[socket]
            try:
                if running.stop is not None:
                    self._take_over(self._stop(running.stop, now).motors)
                self._reply(Completion(socket).encode(), running.peer, running.sequence)
            except Refusal as refusal:
                self._reply(ErrorReply(socket, refusal.code).encode(), running.peer, running.sequence)

    def _take(self, datagram: bytes, peer: Hashable, now: float) -> None:
        try:
            packet = Packet.decode(datagram)
        except PacketError:
            if len(datagram) >= HEADER_BYTES:  # otherwise there is no number to answer under
                self._control(MESSAGE_ABNORMAL, peer, int.from_bytes(datagram[4:8], "big"))
            return
        match packet.payload_type:
            case PayloadType.CONTROL if packet.payload == RESET:
                self._numbers.reset()
                reply = Packet(PayloadType.CONTROL_REPLY, packet.sequence, RESET)
                self._outbox.append((peer, reply.encode()))
            case PayloadType.COMMAND | PayloadType.INQUIRY | PayloadType.DEVICE_SETTING:
                if self._numbers.expected(packet.sequence):
                    performed = self._answer(packet, peer, now)
                    self._numbers.note(packet.sequence, performed=performed)
                else:
                    self._control(SEQUENCE_ABNORMAL, peer, packet.sequence)
            case _:
                self._control(MESSAGE_ABNORMAL, peer, packet.sequence)

    def _take_bare(self, message: bytes, peer: Hashable, now: float) -> None:
        if len(message) < SHORTEST_MESSAGE_BYTES:
            if self.habits.answers_fragments:
                self._reply(ErrorReply(0, ErrorCode.SYNTAX).encode(), peer, BARE)
            return
        kind = PayloadType.INQUIRY if message[1] == 0x09 else PayloadType.COMMAND
        self._answer(Packet(kind, BARE, message), peer, now)

    def _reply(self, payload: bytes, peer: Hashable, sequence: int) -> None:
        reply = payload if sequence == BARE else Packet(PayloadType.REPLY, sequence, payload).encode()
        self._outbox.append((peer, reply))

    def _control(self, payload: bytes, peer: Hashable, sequence: int) -> None:
        self._outbox.append((peer, Packet(PayloadType.CONTROL, sequence, payload).encode()))

    # Messages

    def _answer(self, packet: Packet, peer: Hashable, now: float) -> bool:
        """Answer one message and return whether it was performed; an error means that it was not."""
        socket = 0
        try:
            if packet.payload_type is PayloadType.INQUIRY:
                answer = self.body.answer(parse_inquiry(packet.payload), now)
                self._reply(Answer(answer).encode(), peer, packet.sequence)
                return True
            match command := parse_command(packet.payload, self.dialect):
                case Clear():
                    self._require_stoppable(now)
                    self._clear(now)
                    self._reply(Answer(b"").encode(), peer, packet.sequence)
                case Cancel():
                    socket = command.socket
                    self._cancel(socket, packet, peer, now)
                case _:
                    socket = self._free_socket()
                    self._run(command, socket, packet, peer, now)
        except (MessageError, Refusal) as error:
            code = error.code if isinstance(error, Refusal) else ErrorCode.SYNTAX
            self._reply(ErrorReply(socket, code).encode(), peer, packet.sequence)
            return False
        return True

    def _free_socket(self) -> int:
        for socket in range(1, self.habits.sockets + 1):
            if socket not in self._sockets:
                return socket
        raise Refusal(ErrorCode.BUFFER_FULL)

    def _require_stoppable(self, now: float) -> None:
        if now < self.refuses_stops_until:
            raise Refusal(ErrorCode.NOT_EXECUTABLE)

    def _run(self, command: Command, socket: int, packet: Packet, peer: Hashable, now: float) -> None:
        if type(command) in STOPPED:
            self._require_stoppable(now)
            if self.habits.stop_seconds:
                self.body.require_able(command, now)
                self._reply(Ack(socket).encode(), peer, packet.sequence)
                takes_effect_at = now + self.habits.stop_seconds
                motors = STOPPED[type(command)]
                self._sockets[socket] = _Running(peer, packet.sequence, motors, takes_effect_at, command)
                return
            done = self._stop(command, now)
        else:
            done = self.body.perform(command, now)
        self._take_over(done.motors)
        self._reply(Ack(socket).encode(), peer, packet.sequence)
        if done.rests_at is None:
            self._reply(Completion(socket).encode(), peer, packet.sequence)
        else:
            completes_at = self._latency.after(done.rests_at)
            self._sockets[socket] = _Running(peer, packet.sequence, done.motors, completes_at)

    def _stop(self, command: Command, now: float) -> Done:
        if now < self.ignores_stops_until:
            return Done(STOPPED[type(command)])
        return self.body.perform(command, now)

    def _take_over(self, motors: Motors) -> None:
        for socket, running in sorted(self._sockets.items()):
            if not running.motors & motors:
                continue
            match self.habits.overtaken:
                case "kept":
                    self._sockets[socket] = replace(running, completes_at=None, stop=None)
                    continue
                case "completed":
                    ending = Completion(socket).encode()
                case "cancelled":
                    ending = ErrorReply(socket, ErrorCode.CANCELLED).encode()
            del self._sockets[socket]
            self._reply(ending, running.peer, running.sequence)

    def _cancel(self, socket: int, packet: Packet, peer: Hashable, now: float) -> None:
        if socket not in self._sockets:
            raise Refusal(ErrorCode.NO_SOCKET)
        self._require_stoppable(now)
        running = self._sockets.pop(socket)
        self._halt(running, now)
        cancelled = ErrorReply(socket, ErrorCode.CANCELLED).encode()
        reply = self.habits.cancel_reply
        if reply == "to-cancel":
            self._reply(cancelled, peer, packet.sequence)
        if reply == "to-cancelled" or running.peer != peer:
            self._reply(cancelled, running.peer, running.sequence)

    def _clear(self, now: float) -> None:
        for running in self._sockets.values():
            self._halt(running, now)
        self._sockets.clear()

    def _halt(self, running: _Running, now: float) -> None:
        # A stop that is cancelled takes its effect with it: it is the order that ends, not the motion.
        if running.stop is None and now >= self.ignores_stops_until:
            self.body.halt(running.motors, now)
