"""The demo's choir evening: who is called to where, round by round, and what came of it."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from ptzd.cli.client import Client, Heard, Payload
from ptzd.cli.moving import ENDED
from ptzd.cli.output import Failure
from ptzd.cli.sentences import worst_counts

ROUND_SECONDS = 20.0  # a round takes three or four

Call = tuple[str, Payload]  # a camera, and what is asked of it


@dataclass(frozen=True, slots=True)
class Round:
    """What is said, who is on air, and who is called to where at the same time."""

    words: str
    on_air: str
    calls: tuple[Call, ...]


EVENING = (
    Round(
        "Doors open: everybody to the opening frame.",
        "right",
        (
            ("gallery", {"position": "choir-wide"}),
            ("left", {"position": "sopranos"}),
            ("right", {"position": "piano", "seconds": 7.5, "on_air": True}),
        ),
    ),
    Round(
        "The conductor enters: the gallery is on air and stays, the others look elsewhere.",
        "gallery",
        (("left", {"position": "conductor"}), ("right", {"position": "basses"})),
    ),
    Round(
        "A solo: the gallery, on air, glides in over seven seconds; the others make ready.",
        "gallery",
        (
            ("gallery", {"position": "soloist", "seconds": 7.0, "on_air": True}),
            ("left", {"position": "soloist"}),
            ("right", {"position": "hands", "speed": 20}),
        ),
    ),
    Round(
        "The last chord: the pianist's hands are on air, the gallery turns to the house.",
        "right",
        (("gallery", {"position": "house"}), ("left", {"position": "sopranos"})),
    ),
    Round(
        "Curtain call.",
        "left",
        (
            ("gallery", {"position": "choir-wide"}),
            ("left", {"position": "conductor", "seconds": 7.0, "on_air": True}),
            ("right", {"position": "piano"}),
        ),
    ),
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
        foretold = [report for report in settled if report.get("predicted_seconds") is not None]
        misses = [abs(report["predicted_seconds"] - report["measured_seconds"]) for report in foretold]
        inside = [
            report["least_seconds"] <= report["measured_seconds"] <= report["most_seconds"]
            for report in foretold
            if report.get("least_seconds") is not None
        ]
        return {
            "moves": len(self.reports),
            "settled": len(settled),
            "all_settled": self.all_settled,
            "worst_landing_counts": max((worst_counts(report.get("landing")) for report in settled), default=None),
            "predicted_seconds": round(sum(report["predicted_seconds"] for report in foretold), 2),
            "measured_seconds": round(sum(report["measured_seconds"] for report in foretold), 2),
            "worst_prediction_miss_seconds": round(max(misses), 2) if misses else None,
            "inside_predicted_range": sum(inside),
        }

    def sentence(self) -> str:
        """Return the summary as people read it."""
        figures = self.summary()
        worst = figures["worst_landing_counts"]
        return (
            f"{figures['moves']} moves, {'all' if self.all_settled else figures['settled']} settled; "
            f"worst landing error {_or_none(worst)} count{'' if worst == 1 else 's'}; "
            f"{figures['predicted_seconds']:.1f} s of motion predicted, {figures['measured_seconds']:.1f} s measured, "
            f"no single move more than {_or_none(figures['worst_prediction_miss_seconds'])} s off, "
            f"{figures['inside_predicted_range']} inside the predicted range."
        )


async def play(client: Client, announce: Callable[[str], None], show: Callable[[Heard], None]) -> Takings:
    """Call one round after the other, each when all of the one before has ended; `show` all that is heard.

    Raises Failure where the daemon does not tell the end of a round.
    """
    takings = Takings()
    await client.listen(["camera/+/move", "outcome"])
    on_air: str | None = None
    for round_ in EVENING:
        announce(round_.words)
        if on_air is not None:
            await client.publish(f"camera/{on_air}/tally", {"tally": "off"})
        on_air = round_.on_air
        await client.publish(f"camera/{on_air}/tally", {"tally": "program"})
        pending = {await client.publish(f"camera/{camera}/recall", wanted): camera for camera, wanted in round_.calls}
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
    await client.publish(f"camera/{on_air}/tally", {"tally": "off"})  # whoever looks around afterwards may move it
    return takings


async def show_what_is_taken(client: Client, cues: Payload, on_air: str) -> str:
    """Stand in for the vision mixer: take what the standing cue takes; return who is on air."""
    taken = (cues["standing"] or {}).get("take") or on_air
    if taken != on_air:
        await client.publish(f"camera/{taken}/tally", {"tally": "program"})
        await client.publish(f"camera/{on_air}/tally", {"tally": "off"})
    return str(taken)


def _or_none(value: object) -> str:
    return "unknown" if value is None else str(value)
