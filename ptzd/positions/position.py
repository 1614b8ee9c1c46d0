"""What a show keeps of one framing, and of every earlier one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

from ptzd.cameras import CameraSettings
from ptzd.files import FASTEST_STEP, LONGEST_NOTE, LONGEST_SECONDS, SLOWEST_STEP
from ptzd.line import Framing, carried, out_of_reach
from ptzd.names import checked_name
from ptzd.visca import Dialect, DialectError, load_dialect, require_same_scales

# Twenty bits with sign: the widest pan field any dialect has. A head's own reach is its dialect's business.
LEAST_ANGLE_COUNTS, MOST_ANGLE_COUNTS = -0x80000, 0x7FFFF
MOST_LENS_COUNTS = 0xFFFF  # zoom and focus travel as four nibbles, without sign
LONGEST_SCALES = 200  # characters


@dataclass(frozen=True, slots=True)
class StoredPosition:
    """A framing under a name, with how it is to be recalled. Raises ValueError with a sentence where it can't be one.

    `speed` is a pan step (1..24), `seconds` a wished time of travel (above 0, at most 600); at most one of the
    two is given. `dialect` names the scale that the framing's counts are in, and `scales` is its fingerprint as of
    then; None is trusted by the name alone. `stored_at` must know its time zone and
    is kept in UTC. `still` is the number of the picture that the store keeps of it; None where there is none. A
    `provisional` one was reckoned and not framed: good only once it was aligned, or is stored anew.
    """

    camera: str
    name: str
    framing: Framing
    dialect: str
    speed: int | None
    seconds: float | None
    note: str
    stored_at: datetime
    scales: str | None = None
    still: int | None = field(default=None, compare=False)
    provisional: bool = False

    def framing_for(self, dialect: Dialect) -> Framing:
        """Return the framing in the counts of a head that may have been swapped.

        Raises DialectError where its scale is unknown, or has other figures by now.
        """
        stored_in = dialect if self.dialect == dialect.name else load_dialect(self.dialect)
        if self.scales is not None:
            require_same_scales(stored_in, self.scales)
        return carried(self.framing, stored_in, dialect)

    def __post_init__(self) -> None:
        checked_name(self.camera)
        checked_name(self.name)
        framing = self.framing
        for axis, counts in (("pan", framing.pan_counts), ("tilt", framing.tilt_counts)):
            if not LEAST_ANGLE_COUNTS <= counts <= MOST_ANGLE_COUNTS:
                raise ValueError(f"{axis}_counts is {counts}: it must be {LEAST_ANGLE_COUNTS} to {MOST_ANGLE_COUNTS}")
        for lens, counts in (("zoom", framing.zoom_counts), ("focus", framing.focus_counts)):
            if not 0 <= counts <= MOST_LENS_COUNTS:
                raise ValueError(f"{lens}_counts is {counts}: it must be 0 to {MOST_LENS_COUNTS}")
        if framing.focus_mode not in ("auto", "manual"):
            raise ValueError(f"focus_mode is {framing.focus_mode!r}: it must be auto or manual")
        if not self.dialect:
            raise ValueError("dialect is empty: name the scale that the counts are in, such as nibble4-51")
        if self.speed is not None and self.seconds is not None:
            raise ValueError("speed and seconds are both given: give one of them, the other follows from it")
        if self.speed is not None and not SLOWEST_STEP <= self.speed <= FASTEST_STEP:
            raise ValueError(f"speed is {self.speed}: it must be a step from {SLOWEST_STEP} to {FASTEST_STEP}")
        if self.seconds is not None and not (math.isfinite(self.seconds) and 0 < self.seconds <= LONGEST_SECONDS):
            raise ValueError(f"seconds is {self.seconds}: it must be more than 0 and at most {LONGEST_SECONDS:.0f}")
        if len(self.note) > LONGEST_NOTE:
            raise ValueError(f"the note has {len(self.note)} characters: it may have {LONGEST_NOTE}")
        if self.scales is not None and not 0 < len(self.scales) <= LONGEST_SCALES:
            raise ValueError(f"scales has {len(self.scales)} characters: it must have 1 to {LONGEST_SCALES}")
        for what, text in (("dialect", self.dialect), ("note", self.note), ("scales", self.scales or "")):
            if not _writable(text):
                raise ValueError(f"the {what} has half a character in it (a lone surrogate): write it anew")
        object.__setattr__(self, "stored_at", in_utc(self.stored_at))


@dataclass(frozen=True, slots=True)
class HistoryEntry:
    """One framing that a position has or had. Numbers grow by one from 1, the oldest; `current` marks the one in use.

    `position.stored_at` is when it was stored, or brought back. No entry is current when the position was deleted.
    """

    number: int
    position: StoredPosition
    current: bool


def unfit_positions(camera: str, positions: Mapping[str, StoredPosition], dialect: Dialect) -> Iterator[str]:
    """Return why a camera of this dialect can't be sent to some of its positions, in a sentence for each reason."""
    unfit: dict[str, list[str]] = {}
    for name, position in positions.items():
        try:
            position.framing_for(dialect)
        except DialectError as error:
            unfit.setdefault(str(error), []).append(name)
    for reason, names in unfit.items():
        yield f"camera {camera} can't be sent to {', '.join(names)}: {reason}"


def beyond(settings: CameraSettings, position: StoredPosition) -> str | None:
    """Return a sentence on why a camera can't reach a position, or may not; None where it does."""
    dialect = settings.dialect
    try:
        framing = position.framing_for(dialect)
    except DialectError:  # told by itself
        return None
    if (beyond := out_of_reach(dialect, framing)) is not None:
        return beyond
    if settings.window is not None and (outside := settings.window.leaves_out(dialect, framing)) is not None:
        return outside
    least, most = dialect.zoom.wide_counts, dialect.zoom.tele_counts
    if not least <= framing.zoom_counts <= most:
        return f"zoom {framing.zoom_counts} is beyond what the lens alone does, which is {least} to {most}"
    return None


def in_utc(moment: datetime) -> datetime:
    """Return `moment` in UTC; raise ValueError where it has no time zone, or no such date exists in UTC."""
    if moment.utcoffset() is None:
        raise ValueError(f"the date {moment} has no time zone: write its offset too, such as Z or +02:00")
    try:
        return moment.astimezone(UTC)
    except OverflowError:
        raise ValueError(f"the date {moment} is out of reach: write one of the years 2 to 9998") from None


def _writable(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True
