"""What is said of a command: once, or again where it came before; for all to hear, and to who asked for an answer."""

from __future__ import annotations

import asyncio

from ptzd.bus import Answer, Asked, Bus, Outcomes, Reply
from ptzd.bus.commands import Command
from ptzd.bus.messages import MoveMessage, OutcomeMessage, Result
from ptzd.cameras import MoveReport, Phase
from ptzd.cues import CueToken
from ptzd.refusal import Refusal

from .refusal_log import RefusalLog


class Answers:
    """Says what became of commands. Needs a running loop."""

    def __init__(self, bus: Bus) -> None:
        self._bus = bus
        self._loop = asyncio.get_running_loop()
        self._outcomes = Outcomes()
        self._refusals = RefusalLog()

    def answered_before(self, asked: Asked[Command]) -> bool:
        """Answer a command that came before once more; return whether it was one that is not to be done again."""
        repeat = self._outcomes.claim(asked, self._loop.time())
        if repeat is None or asked.what.halts:
            return False
        if repeat.latest is not None:
            self._bus.publish(repeat.latest.topic, repeat.latest.payload)
            if repeat.latest.final and asked.reply is not None:
                self._reply(asked.reply, repeat.latest.payload)
        return True

    def done(self, asked: Asked[Command], result: Result | None = None) -> None:
        """Say that a command has been done, unless that is told otherwise or nobody wants to know."""
        wanted = asked.what.answer
        if wanted == "outcome" or (wanted == "outcome-if-asked" and (asked.id is not None or asked.reply is not None)):
            brought = None if result is None else result.as_result()
            self._say(asked, OutcomeMessage(topic=asked.topic, id=asked.id, ok=True, result=brought))

    def refused(self, asked: Asked[Command | Refusal], why: Refusal) -> None:
        """Say that a command is not done, or that a message is none."""
        self._say(
            asked,
            OutcomeMessage(
                topic=asked.topic, id=asked.id, ok=False, code=why.code, sentence=why.sentence, hint=why.hint
            ),
        )
        self._refusals.refused(asked.topic, why.code, why.sentence)

    def moved(self, report: MoveReport) -> None:
        """Say a phase of a move: the answer to whoever asked for it."""
        reply = report.token if isinstance(report.token, Reply) else None
        topic = self._bus.topics.of(MoveMessage, report.camera)
        answer = Answer(topic, MoveMessage.of(report).encode(), final=report.phase.ended)
        asked_as = None if isinstance(report.token, CueToken) else report.id  # whoever calls a command of his the same
        self._answer(answer, report.camera, asked_as, reply)
        if report.phase is Phase.REFUSED:
            self._refusals.refused(topic, report.code or "", report.sentence or "")

    def _say(self, asked: Asked[Command | Refusal], outcome: OutcomeMessage) -> None:
        answer = Answer(self._bus.topics.of(OutcomeMessage), outcome.encode(), final=True)
        self._answer(answer, asked.camera, asked.id, asked.reply)

    def _answer(self, answer: Answer, camera: str | None, id: str | None, reply: Reply | None) -> None:
        """Say it for all to hear and, once it is final, to those who asked for an answer of their own."""
        self._bus.publish(answer.topic, answer.payload)
        replies = self._outcomes.said(camera, id, answer)
        if answer.final:
            for each in replies or (() if reply is None else (reply,)):
                self._reply(each, answer.payload)

    def _reply(self, reply: Reply, payload: bytes) -> None:
        self._bus.publish(reply.topic, payload, correlation=reply.correlation)
