"""What differs from head to head, as data: scales, fields, speed tables. A new head is a file, not a subclass.

Counts grow to the right and upwards (from memory). Counts per degree are of three published families, see the files.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from functools import cache, cached_property
from hashlib import blake2s
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from ptzd import toml

Word = Annotated[int, Field(ge=0, le=0xFFFF)]  # what four nibbles hold
UNTOLD = "assumed: the file does not say where they are from"
Renewal = Literal["smooth", "stops", "refused", "unknown"]
"""What a head does with a new absolute order while it still moves: goes on to the new place, comes to rest first,
refuses. No document tells."""


class DialectError(ValueError):
    """A dialect that is not there or can't be read, with a sentence that says what would be right."""


class ScalesError(DialectError):
    """What was stored counts in other figures than the dialect of that name has now."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=True)


class AxisScale(_Model):
    """One axis of a head: its counts, its reach and its speeds."""

    counts_per_degree: Annotated[float, Field(gt=0, allow_inf_nan=False)]
    least_counts: int  # left or down end
    most_counts: int  # right or up end
    steps_deg_per_s: Annotated[tuple[Annotated[float, Field(gt=0)], ...], Field(min_length=1, max_length=24)]
    steps_source: str  # where the speeds are published, or that they are assumed

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.least_counts >= self.most_counts:
            raise ValueError("least_counts must be less than most_counts")
        if list(self.steps_deg_per_s) != sorted(self.steps_deg_per_s):
            raise ValueError("steps_deg_per_s must rise from step 1, the slowest, to the fastest")
        return self

    def counts(self, deg: float) -> int:
        """Return the counts nearest to an angle in degrees; reach is not looked at."""
        return round(deg * self.counts_per_degree)

    def degrees(self, counts: int) -> float:
        """Return the angle in degrees, 0 at zero counts."""
        return counts / self.counts_per_degree

    @property
    def reach_deg(self) -> tuple[float, float]:
        """Between which angles the head can turn, least first."""
        return self.degrees(self.least_counts), self.degrees(self.most_counts)

    @property
    def fastest_step(self) -> int:
        """The number of the fastest step; 1 is the slowest."""
        return len(self.steps_deg_per_s)


class ZoomScale(_Model):
    """Zoom counts; digital zoom lies above the tele end."""

    wide_counts: Word = 0
    tele_counts: Word = 0x4000
    ratios: Annotated[tuple[tuple[Annotated[float, Field(allow_inf_nan=False)], Word], ...], Field(min_length=2)]
    """(how many times longer than at the wide end, counts), both rising, from the wide end to the tele end."""
    ratios_source: str = UNTOLD  # where they are published, or that they are assumed

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _require_rising("ratios", [counts for _, counts in self.ratios])
        _require_rising("ratios", [ratio for ratio, _ in self.ratios])
        (ratio, first), (_, last) = self.ratios[0], self.ratios[-1]
        if (ratio, first, last) != (1.0, self.wide_counts, self.tele_counts):
            raise ValueError(
                f"ratios must begin with [1.0, wide_counts], here [1.0, {self.wide_counts:#06x}], and end at "
                f"tele_counts, {self.tele_counts:#06x}"
            )
        return self


class FocusScale(_Model):
    """Focus counts; they grow towards near. Distances are approximate and drift with temperature."""

    least_counts: Word
    most_counts: Word
    distances: Annotated[tuple[tuple[Annotated[float, Field(gt=0)], Word], ...], Field(min_length=2)]
    """(metres, counts), ever nearer."""
    distances_source: str = UNTOLD

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        _require_rising("distances", [counts for _, counts in self.distances])
        _require_rising("distances", [1 / metres for metres, _ in self.distances])
        return self

    def counts(self, metres: float) -> int:
        """Return the counts for a distance above 0: as published, and straight lines in 1/distance in between."""
        points = [counts for _, counts in self.distances]
        return round(_interpolated([1 / distance for distance, _ in self.distances], points, 1 / metres))


class Dialect(_Model):
    """How one family of heads writes its numbers and how fast it turns."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")]
    label: str
    sources: Annotated[tuple[str, ...], Field(min_length=1)]
    pan: AxisScale
    tilt: AxisScale
    pan_nibbles: Literal[4, 5]
    absolute: Literal["two-speed", "shared-speed"]  # whether an absolute move carries a speed for each axis
    zoom: ZoomScale
    focus: FocusScale
    ramp_curves: Annotated[int, Field(ge=0, le=15)] = 0  # how many there are to choose from
    slow_mode: bool = False
    renewal: Renewal = "unknown"
    limits: bool = False  # whether the head can be told to turn no further than an angle

    @model_validator(mode="after")
    def _fits_its_fields(self) -> Self:
        for axis, scale, nibbles in (("pan", self.pan, self.pan_nibbles), ("tilt", self.tilt, 4)):
            half = 1 << 4 * nibbles - 1
            if scale.least_counts < -half or scale.most_counts >= half:
                raise ValueError(f"the {axis} counts do not fit a field of {nibbles} nibbles")
        return self

    @cached_property  # it is looked at with each reading; a copy with other figures must be validated anew
    def scales(self) -> str:
        """A fingerprint of all that decides what a stored framing's counts mean.

        Counts per degree stand in it as they are, so that a difference can be told; zoom and focus as digests.
        """
        return (
            f"pan {self.pan.counts_per_degree:.6g}, tilt {self.tilt.counts_per_degree:.6g}, "
            f"zoom {_digest(self.zoom.ratios)}, focus {_digest(self.focus.distances)}"
        )


def require_same_scales(dialect: Dialect, scales: str) -> None:
    """Raise ScalesError, with what to do, unless a fingerprint from earlier is the one that a dialect has now."""
    if scales != dialect.scales:
        raise ScalesError(
            f"it was stored when the dialect {dialect.name} had other figures ({scales}; now {dialect.scales}): frame "
            "it and store it anew, or, if it is the same head and only its file was corrected, export the positions, "
            "take out the lines `scales` of this camera's and import them with replace"
        )


def dialect_names() -> tuple[str, ...]:
    """Return the names of the dialects that come with the program, in alphabetical order."""
    entries = (files(__package__) / "dialects").iterdir()
    return tuple(sorted(entry.name.removesuffix(".toml") for entry in entries if entry.name.endswith(".toml")))


@cache
def load_dialect(name: str) -> Dialect:
    """Return a dialect that comes with the program. Raises DialectError for an unknown name."""
    names = dialect_names()
    if name not in names:
        raise DialectError(f"there is no dialect {name!r}: choose one of {', '.join(names)}, or name a file")
    return _parsed((files(__package__) / "dialects" / f"{name}.toml").read_text("utf-8"), f"{name}.toml")


def read_dialect(path: Path) -> Dialect:
    """Return the dialect in a TOML file of one's own. Raises DialectError that names every mistake."""
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not UTF-8"
        raise DialectError(f"the dialect file {path} can't be read: {reason}") from None
    dialect = _parsed(text, str(path))
    if dialect.name in dialect_names():
        raise DialectError(
            f"the dialect file {path} has the name of a dialect that comes with the program, {dialect.name}: give it a "
            f'name of its own, or write dialect = "{dialect.name}" to use that one'
        )
    return dialect


def dialect_named(name: str) -> Dialect:
    """Return the dialect that comes with the program, or the one in a file of that name. Raises DialectError."""
    return read_dialect(Path(name)) if name.endswith(".toml") else load_dialect(name)


def _parsed(text: str, where: str) -> Dialect:
    try:
        return Dialect.model_validate(toml.loads(text))
    except ValidationError as error:
        mistakes = "; ".join(
            f"{'.'.join(map(str, mistake['loc'])) or 'the whole'}: {mistake['msg']}" for mistake in error.errors()
        )
        raise DialectError(f"the dialect file {where} has mistakes: {mistakes}") from None
    except ValueError as error:  # a ValidationError is one too, hence the order
        raise DialectError(f"the dialect file {where} is not TOML: {error}") from None


def _digest(points: Iterable[tuple[float, int]]) -> str:
    text = " ".join(f"{figure:.6g}@{counts}" for figure, counts in points)
    return blake2s(text.encode(), digest_size=4).hexdigest()


def _require_rising(field: str, values: Sequence[float]) -> None:
    if any(later <= earlier for earlier, later in pairwise(values)):
        raise ValueError(f"{field} must be in order, without equal entries")


def _interpolated(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Return y at x on the lines through the points; beyond the ends, the end's y."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    after = bisect_left(xs, x)
    share = (x - xs[after - 1]) / (xs[after] - xs[after - 1])
    return ys[after - 1] + share * (ys[after] - ys[after - 1])
