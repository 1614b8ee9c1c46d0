"""A conversation under test, with the test itself as the network and the camera."""

from __future__ import annotations

from ptzd.visca import (
    RESET,
    SEQUENCE_ABNORMAL,
    Ack,
    Answer,
    Completion,
    Conversation,
    ErrorCode,
    ErrorReply,
    Event,
    Linked,
    Packet,
    PayloadType,
    Timing,
    load_dialect,
)

UNHURRIED = Timing(
    attempts=7, urgent_attempts=14, soonest_repeat_seconds=0.1
)  # the replies of a test take no time, which is no reason to repeat sooner
RESET_DONE = Packet(PayloadType.CONTROL_REPLY, 0, RESET).encode()


class Talk:
    """What the conversation says is in `sent()`; what the camera says goes in by the other methods."""

    def __init__(self, dialect: str = "nibble4-51", timing: Timing | None = None) -> None:
        self.dialect = load_dialect(dialect)
        self.conversation = Conversation(self.dialect, timing or UNHURRIED)
        self.now = 100.0

    def linked(self) -> Talk:
        self.conversation.start(self.now)
        assert self.sent() == [Packet(PayloadType.CONTROL, 0, RESET)]
        assert self.hears(RESET_DONE) == [Linked()]
        return self

    def sent(self) -> list[Packet]:
        return [Packet.decode(datagram) for datagram in self.conversation.datagrams()]

    def said(self) -> list[tuple[int, str]]:
        """The numbers and messages that left since the last look."""
        return [(packet.sequence, packet.payload.hex(" ").upper()) for packet in self.sent()]

    def hears(self, datagram: bytes) -> list[Event]:
        return self.conversation.receive(datagram, self.now)

    def reply(self, number: int, wire: str) -> list[Event]:
        return self.hears(Packet(PayloadType.REPLY, number, bytes.fromhex(wire)).encode())

    def ack(self, number: int, socket: int) -> list[Event]:
        return self.hears(Packet(PayloadType.REPLY, number, Ack(socket).encode()).encode())

    def completion(self, number: int, socket: int) -> list[Event]:
        return self.hears(Packet(PayloadType.REPLY, number, Completion(socket).encode()).encode())

    def answer(self, number: int, data: str) -> list[Event]:
        return self.hears(Packet(PayloadType.REPLY, number, Answer(bytes.fromhex(data)).encode()).encode())

    def error(self, number: int, socket: int, code: ErrorCode) -> list[Event]:
        return self.hears(Packet(PayloadType.REPLY, number, ErrorReply(socket, code).encode()).encode())

    def number_refused(self, number: int) -> list[Event]:
        return self.hears(Packet(PayloadType.CONTROL_REPLY, number, SEQUENCE_ABNORMAL).encode())

    def wait(self, seconds: float) -> list[Event]:
        """Let time pass, with every deadline kept on the way."""
        until = self.now + seconds
        events: list[Event] = []
        for _ in range(1000):
            deadline = self.conversation.deadline()
            if deadline is None or deadline > until:
                self.now = until
                return events
            self.now = max(self.now, deadline)
            events += self.conversation.tick(self.now)
        raise AssertionError("the conversation wants to be called for ever")

    def times_of_sending(self, seconds: float) -> list[float]:
        """When something leaves, in seconds from now."""
        began = self.now
        times = []
        while self.now <= began + seconds:
            if self.sent():
                times.append(round(self.now - began, 6))
            deadline = self.conversation.deadline()
            if deadline is None:
                break
            self.now = max(self.now, deadline)
            self.conversation.tick(self.now)
        return times

    def now_says(self) -> list[Event]:
        """What it has to say without anything more happening."""
        return self.wait(0.0)
