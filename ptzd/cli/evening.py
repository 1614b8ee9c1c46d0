"""The demo's choir evening: who is called to where, round by round, and what came of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from .client import Client, Heard, Payload
from .recall import ENDED
from .sentences import worst_counts
from .speech import Failure

ROUND_SECONDS = 20.0  # a round takes three or four

Call = tuple[str, Payload]  # a camera, and what is asked of it

EVENING: tuple[tuple[str, tuple[Call, ...]], ...] = (
    (
        "Doors open: everybody to the opening frame.",
        (
            ("gallery", {"position": "choir-wide"}),
            ("left", {"position": "sopranos"}),
            ("right", {"position": "piano"}),
        ),
    ),
    (
        "The conductor enters; the gallery stays on air.",
        (("left", {"position": "conductor"}), ("right", {"position": "basses"})),
    ),
    (
        "A solo: the gallery glides in over three seconds, the others make ready.",
        (
            ("gallery", {"position": "soloist", "seconds": 3.0}),
            ("left", {"position": "soloist"}),
            ("right", {"position": "hands", "speed": 20}),
        ),
    ),
    (
        "The last chord, and the house.",
        (
            ("gallery", {"position": "house"}),
            ("left", {"position": "sopranos"}),
            ("right", {"position": "piano"}),
        ),
    ),
    ("Curtain call.", (("gallery", {"position": "choir-wide"}), ("left", {"position": "conductor"}))),
)


@dataclass(slots=True)
class Takings:
    """What all moves of an evening came to."""

    reports: list[Payload] = field(default_factory=list)

    @property
    def all_settled(self) -> bool:
        return all(report["phase"] == "settled" for report in self.reports)

    def summary(self) -> dict[str, Any]:
        """Return the figures: landing errors in counts, times in seconds."""
        settled = [report for report in self.reports if report["phase"] == "settled"]
        misses = [
            abs(report["predicted_seconds"] - report["measured_seconds"])
            for report in settled
            if report.get("predicted_seconds") is not None and report.get("measured_seconds") is not None
        ]
        return {
            "moves": len(self.reports),
            "settled": len(settled),
            "all_settled": self.all_settled,
            "worst_landing_counts": max((worst_counts(report.get("landing")) for report in settled), default=None),
            "predicted_seconds": round(sum(report.get("predicted_seconds") or 0.0 for report in settled), 2),
            "measured_seconds": round(sum(report.get("measured_seconds") or 0.0 for report in settled), 2),
            "worst_prediction_miss_seconds": round(max(misses), 2) if misses else None,
        }

    def sentence(self) -> str:
        """Return the summary as people read it."""
        figures = self.summary()
        missed = figures["worst_prediction_miss_seconds"]
        return (
            f"{figures['moves']} moves, {'all' if self.all_settled else figures['settled']} settled; "
            f"worst landing error {_or_none(figures['worst_landing_counts'])} counts; "
            f"{figures['predicted_seconds']:.1f} s of motion predicted, {figures['measured_seconds']:.1f} s measured, "
            f"no single move more than {_or_none(missed)} s off."
        )


async def play(
    client: Client,
    announce: Callable[[str], None],
    show: Callable[[Heard], None],
    evening: Sequence[tuple[str, Sequence[Call]]] = EVENING,
) -> Takings:
    """Call one round after the other, each when all of the one before has ended; `show` all that is heard.

    Raises Failure where the daemon does not tell the end of a round.
    """
    takings = Takings()
    await client.listen(["camera/+/move", "outcome"])
    for words, calls in evening:
        announce(words)
        pending = {await client.publish(f"camera/{camera}/recall", wanted): camera for camera, wanted in calls}
        try:
            async with asyncio.timeout(ROUND_SECONDS):
                while pending:
                    heard = await client.hear()
                    show(heard)
                    ended = heard.topic == "outcome" or heard.payload.get("phase") in ENDED
                    if ended and (camera := pending.pop(str(heard.payload.get("id")), None)) is not None:
                        takings.reports.append({"camera": camera, "phase": "refused", **heard.payload})
        except TimeoutError:
            raise Failure(
                f"The daemon told no end of the moves of {', '.join(sorted(pending.values()))} "
                f"within {ROUND_SECONDS:.0f} s; try again."
            ) from None
    return takings


def _or_none(value: object) -> str:
    return "unknown" if value is None else str(value)
