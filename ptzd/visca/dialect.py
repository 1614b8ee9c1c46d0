"""A dialect: how one family of heads counts, how fast its steps are, and which form of a command it takes.

A dialect is a data file. To add one, write a TOML file like those in `dialects/`, naming the document that each
figure comes from.
"""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator


class DialectError(ValueError):
    """A dialect that is unknown or whose file is wrong, in one sentence."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


Steps = Annotated[tuple[Annotated[float, Field(gt=0)], ...], Field(min_length=1, max_length=24)]


class AxisScale(_Model):
    """Pan or tilt: counts, degrees, and degrees per second at each speed step."""

    counts_per_degree: Annotated[float, Field(gt=0)]
    least_counts: int
    most_counts: int
    steps_deg_per_s: Steps  # index 0 is step 1
    steps_source: str

    @property
    def fastest_step(self) -> int:
        """The highest speed step."""
        return len(self.steps_deg_per_s)

    def counts(self, degrees: float) -> int:
        """Return the nearest count."""
        return round(degrees * self.counts_per_degree)

    def degrees(self, counts: float) -> float:
        """Return degrees; positive is right or up."""
        return counts / self.counts_per_degree


class ZoomScale(_Model):
    """Zoom counts: the wide end, the optical tele end, and where a document gives them, counts by ratio."""

    wide_counts: int = 0
    tele_counts: int = 0x4000
    ratios: tuple[tuple[float, int], ...] = ()


class FocusScale(_Model):
    """Focus counts from far to near, and where a document gives them, counts by distance in metres."""

    least_counts: int
    most_counts: int
    distances_m: tuple[tuple[int, float], ...] = ()


class Dialect(_Model):
    """One family of heads."""

    name: str
    label: str
    sources: tuple[str, ...]
    pan: AxisScale
    tilt: AxisScale
    pan_nibbles: Literal[4, 5] = 4
    absolute: Literal["two-speed", "shared-speed"]
    zoom: ZoomScale
    focus: FocusScale
    ramp_curves: int = 0  # how many the head offers; 0: the command is unknown to it
    slow_mode: bool = False

    @model_validator(mode="after")
    def _counts_fit_the_field(self) -> Dialect:
        reach = 1 << (4 * self.pan_nibbles - 1)
        if not -reach <= self.pan.least_counts < self.pan.most_counts < reach:
            raise ValueError(f"pan counts must rise and fit into {self.pan_nibbles} nibbles")
        return self


def dialect_names() -> list[str]:
    """Return the names of the dialects that come with the package."""
    files = resources.files(__package__).joinpath("dialects").iterdir()
    return sorted(each.name.removesuffix(".toml") for each in files if each.name.endswith(".toml"))


@cache
def load_dialect(name: str) -> Dialect:
    """Return a dialect of the package. Raises DialectError for a name that is unknown."""
    if name not in dialect_names():
        raise DialectError(f"dialect {name!r} is unknown; known are {', '.join(dialect_names())}")
    return _parsed(resources.files(__package__).joinpath("dialects", f"{name}.toml").read_text("utf-8"), name)


def read_dialect(path: Path) -> Dialect:
    """Return a dialect from a file of one's own. Raises DialectError."""
    try:
        return _parsed(path.read_text("utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise DialectError(f"the dialect file {path} can't be read: {error}") from None


def _parsed(text: str, where: str) -> Dialect:
    try:
        return Dialect.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise DialectError(f"the dialect {where} is no valid TOML: {error}") from None
    except ValidationError as error:
        first = error.errors()[0]
        field = ".".join(str(part) for part in first["loc"])
        raise DialectError(f"the dialect {where} is wrong at {field}: {first['msg']}") from None
