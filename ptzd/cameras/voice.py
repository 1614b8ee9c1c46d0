"""What a camera says of itself: its state where that has changed, and every phase of its moves."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import fields
from datetime import datetime
from operator import attrgetter

import structlog

from ptzd.line import Framing, landing
from ptzd.refusal import Refusal

from .move import Move
from .reports import CameraState, MoveReport, Phase

log = structlog.get_logger()

_BUT_THE_DATE = attrgetter(*(field.name for field in fields(CameraState) if field.name != "as_of"))


class Voice:
    """Passes on what is new. A mistake of those who listen must not keep a head moving."""

    def __init__(
        self, camera: str, report: Callable[[CameraState | MoveReport], None], calendar: Callable[[], datetime]
    ) -> None:
        self._camera = camera
        self._report = report
        self._calendar = calendar
        self._said: CameraState | None = None
        self._said_of: object = None  # what the last state was made of

    def forget(self) -> None:
        """Say the state anew, even if nothing that it is made of has changed."""
        self._said_of = None

    def state(self, made_of: object, state: Callable[[], CameraState]) -> None:
        """Say the state if it has changed; it is not made where `made_of` is as it was, or None."""
        with self._listening():
            if made_of is not None and made_of == self._said_of:
                return
            self._said_of = made_of
            now = state()
            if self._said is None or _BUT_THE_DATE(self._said) != _BUT_THE_DATE(now):
                self._said = now
                self._report(now)

    def move(
        self, move: Move, framing: Framing | None, seconds: float, code: str | None = None, sentence: str | None = None
    ) -> None:
        """Say the phase of a move that has gone on for so many seconds, and how far off it ended at `framing`."""
        recall, plan, prediction = move.recall, move.plan, move.plan.prediction
        landed = move.phase.ended and framing is not None
        self._say(
            MoveReport(
                camera=self._camera,
                phase=move.phase,
                position=recall.position,
                id=recall.id,
                predicted_seconds=round(prediction.seconds_to_settled, 3),
                least_seconds=round(prediction.least_seconds, 3),
                most_seconds=round(prediction.most_seconds, 3),
                head_measured=move.head_measured,
                measured_seconds=round(seconds, 3),
                landing=landing(move.dialect, framing, recall.framing) if landed and framing is not None else None,
                code=code,
                sentence=sentence,
                as_of=self._calendar(),
                way=plan.way,
                why=plan.why,
                warning=move.warning,
                lost_memory=move.lost_memory,
                token=recall.token,
            )
        )

    def refusal(self, position: str | None, id: str | None, token: object, refusal: Refusal) -> None:
        """Say that a move does not come about."""
        self._say(
            MoveReport(
                camera=self._camera,
                phase=Phase.REFUSED,
                position=position,
                id=id,
                predicted_seconds=None,
                measured_seconds=None,
                landing=None,
                code=refusal.code,
                sentence=refusal.sentence,
                as_of=self._calendar(),
                token=token,
                hint=refusal.hint,
            )
        )

    def _say(self, report: MoveReport) -> None:
        with self._listening():
            self._report(report)

    @contextmanager
    def _listening(self) -> Iterator[None]:
        try:
            yield
        except Exception:
            log.exception("what a camera said could not be passed on", camera=self._camera)
