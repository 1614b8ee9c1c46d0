"""`ptzd learn --limits`: measure what no document tells of a head, and write it as a dialect of its own.

Where its ends are, by going there at the lowest speed; how many counts a degree has, from two sightings of marks whose
angle is known. It all goes through the daemon, as `Following` has it. A head that the daemon moves by places ahead
(`renewal` smooth) goes no further than its dialect's own reach: of such a one the ends are told as no nearer than that.
"""

from __future__ import annotations

import asyncio
import sys
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import click
import tomlkit

from ptzd.cli.broker import BrokerAddress
from ptzd.cli.client import reach
from ptzd.cli.configuration import read_configuration
from ptzd.cli.driving import Driven, Following, NotDriven
from ptzd.cli.output import Failure, Misuse, complain, require_yes, say, say_json
from ptzd.cli.waiting import patiently
from ptzd.cli.writing import require_new, write_text
from ptzd.daemon import calendar
from ptzd.visca import Dialect, dialect_named

AXES: tuple[tuple[Driven, str, str], ...] = (
    ("pan", "left", "right"),
    ("tilt", "lower", "upper"),
    ("zoom", "wide", "tele"),
)
LEAST_COUNTS = 50  # between two sightings: one count of doubt at each is then no more than 4 %


@dataclass(slots=True)
class Limits:
    """What was measured; what was not is not in it."""

    ends: dict[Driven, tuple[int, int]] = field(default_factory=dict)
    counts_per_degree: dict[str, float] = field(default_factory=dict)

    def told(self, dialect: Dialect) -> list[str]:
        """Return it in words, beside what the dialect says."""
        known = {"pan": dialect.pan, "tilt": dialect.tilt}
        lines = []
        for axis, figure in self.counts_per_degree.items():
            says = known[axis].counts_per_degree
            lines.append(
                f"{axis}: {figure:.4g} counts a degree; {dialect.name} says {says:.4g} ({figure / says - 1:+.1%})"
            )
        for axis, name, other in AXES:
            if axis in self.ends:
                least, most = self.ends[axis]
                lines.append(
                    f"{axis}: {name} end at {least}, {other} end at {most}; {dialect.name} says {_says(dialect, axis)}"
                )
        return lines

    def as_json(self) -> dict[str, Any]:
        """Return it for machines."""
        return {
            "ends": {axis: list(ends) for axis, ends in self.ends.items()},
            "counts_per_degree": self.counts_per_degree,
        }

    def dialect(self, like: Dialect, name: str, when: datetime) -> Dialect:
        """Return a dialect with these figures, and all else as in `like`. Raises ValueError where they can't be one."""
        figures = like.model_dump()
        measured = f"measured with `ptzd learn --limits` on {when:%Y-%m-%d}"
        told = [*self.ends, *(f"counts a degree of {axis}" for axis in self.counts_per_degree)]
        figures |= {
            "name": name,
            "label": f"{like.label}; measured",
            "sources": (*like.sources, f"{measured}: {', '.join(told)}"),
        }
        for axis, figure in self.counts_per_degree.items():
            figures[axis]["counts_per_degree"] = figure
        for each in ("pan", "tilt"):
            if each in self.ends:
                figures[each]["least_counts"], figures[each]["most_counts"] = self.ends[each]
        if "zoom" in self.ends:
            wide, tele = self.ends["zoom"]
            (first, _), *points, (last, _) = figures["zoom"]["ratios"]
            inside = [point for point in points if wide < point[1] < tele]
            figures["zoom"] |= {
                "wide_counts": wide,
                "tele_counts": tele,
                "ratios": ((first, wide), *inside, (last, tele)),
            }
        return Dialect.model_validate(figures)


def _says(dialect: Dialect, axis: Driven) -> str:
    if axis == "zoom":
        return f"{dialect.zoom.wide_counts} and {dialect.zoom.tele_counts}"
    scale = dialect.pan if axis == "pan" else dialect.tilt
    return f"{scale.least_counts} and {scale.most_counts}"


def learn_limits(
    broker: BrokerAddress, camera: str, angles: dict[str, float], path: Path | None, *, yes: bool, as_json: bool
) -> None:
    """Measure a head that has no window, and write it as a dialect where a `path` is given."""
    config = click.get_current_context().params.get("config")
    if config is None:
        raise Misuse("Which dialect and window it has, the configuration tells; add --config FILE.")
    known = read_configuration(config).camera
    if camera not in known:
        raise Misuse(f"There is no camera {camera} in {config}; there are {', '.join(known)}.")
    if known[camera].window is not None:
        raise Misuse(
            f"Camera {camera} has a window, and goes no further; take it out, restart the daemon, and mind its cables."
        )
    if as_json and (angles or not yes):
        raise Misuse(
            "With --json nobody can be asked: make sure that nobody is near the head, add --yes, and leave out angles."
        )
    require_new(path)
    like = dialect_named(known[camera].dialect)
    found = _measured(broker, camera, angles, yes=yes, aloud=not as_json)
    if as_json:
        say_json(found.as_json())
    else:
        say(*found.told(like))
    if path is not None:
        try:
            dialect = found.dialect(like, path.stem, calendar())
        except ValueError as error:
            raise Failure(f"What was found can't be a dialect ({' '.join(str(error).split())}).") from None
        write_text(path, tomlkit.dumps(dialect.model_dump(mode="python")), new=True)
        say(f'{path} is written; dialect = "{path}" in the configuration has the daemon go by it.')


def _measured(broker: BrokerAddress, camera: str, angles: Mapping[str, float], *, yes: bool, aloud: bool) -> Limits:
    """Ask for sightings, then go to the ends of CAMERA. Raises Failure where it may not move, or nobody says yes."""
    limits = Limits()
    for axis, degrees in angles.items():
        limits.counts_per_degree[axis] = _sighted(broker, camera, axis, degrees)
    complain(
        f"CAUTION: camera {camera} will go to all its ends by itself, at its slowest speed: pan, tilt and zoom, for "
        "some minutes each. Keep hands and people clear, and see that cables reach to both ends of each; overhead, "
        f"nobody may be below. `ptzd stop {camera}`, or Ctrl-C here, ends it. It stays where it ends."
    )
    require_yes("Begin?", given=yes)

    def tell(text: str) -> None:
        if aloud and sys.stderr.isatty():
            complain(text)

    try:
        limits.ends = asyncio.run(patiently("going to its ends", _ends(broker, camera, tell)))
    except KeyboardInterrupt:
        raise Failure(f"Camera {camera} was told to stop; nothing was learned.") from None
    except NotDriven as reason:
        raise Failure(f"The ends of camera {camera} were not found: {reason}.") from None
    return limits


def _sighted(broker: BrokerAddress, camera: str, axis: str, degrees: float) -> float:
    """Return how many counts of an axis a degree has, by two marks that are so many degrees apart."""
    counts = []
    for which in ("first", "second"):
        click.prompt(
            f"Bring the {which} mark to the middle of the picture (`ptzd hand {camera}`), then press Enter",
            default="",
            show_default=False,
            err=True,
        )
        counts.append(asyncio.run(_stands(broker, camera, axis)))
    apart = abs(counts[1] - counts[0])
    if apart < LEAST_COUNTS:
        raise Failure(f"Both marks are only {apart} counts of {axis} apart; take marks with a greater angle between.")
    return apart / degrees


@asynccontextmanager
async def _following(broker: BrokerAddress, camera: str) -> AsyncIterator[Following]:
    async with reach(broker) as client:
        await client.require_camera(camera)
        await client.listen(["camera/+/state", "outcome"])
        following = Following(client, {}, camera)
        await following.begin()
        yield following


async def _stands(broker: BrokerAddress, camera: str, axis: str) -> int:
    async with _following(broker, camera) as following:
        counts = following.state.get(f"{axis}_counts")
        if counts is None or following.state.get("activity") != "at-rest":
            raise Failure(f"Camera {camera} is not known to stand still; wait until it does, and begin again.")
        return int(counts)


async def _ends(broker: BrokerAddress, camera: str, tell: Callable[[str], None]) -> dict[Driven, tuple[int, int]]:
    async with _following(broker, camera) as following:
        found: dict[Driven, tuple[int, int]] = {}
        for axis, name, other in AXES:
            tell(f"{axis}: to its {name} end")
            least = await following.to_end(axis, -1)
            tell(f"{axis}: to its {other} end")
            most = await following.to_end(axis, 1)
            if most <= least:
                raise NotDriven(f"{axis} was pushed both ways and told {least} and {most}: it does not move")
            found[axis] = least, most
        return found
