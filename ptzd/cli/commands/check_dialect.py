"""Whether a head speaks the dialect that the configuration names or, by the same answers, another."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import ClassVar

from ptzd.line import Framing, out_of_reach
from ptzd.visca import (
    Dialect,
    FastestSpeeds,
    Inquiry,
    MessageError,
    PanTiltPositionInquiry,
    dialect_names,
    load_dialect,
)


@dataclass(frozen=True, slots=True)
class PositionAsTold(Inquiry[bytes]):
    """Where does the head stand, in the bytes of whatever dialect it has?"""

    message: ClassVar[bytes] = PanTiltPositionInquiry.message
    asks: ClassVar[str] = PanTiltPositionInquiry.asks

    def read(self, data: bytes, dialect: Dialect) -> bytes:
        return data

    def answer(self, value: bytes, dialect: Dialect) -> bytes:
        return value


@dataclass(frozen=True, slots=True)
class Told:
    """What a head has told of itself; `fastest` is None where it does not."""

    position: bytes
    fastest: FastestSpeeds | None

    def unreadable_in(self, dialect: Dialect) -> str | None:
        """Return why its position can't be read in a dialect, or None."""
        try:
            PanTiltPositionInquiry().read(self.position, dialect)
        except MessageError:
            return (
                f"it tells its position in {len(self.position)} nibbles, where {dialect.name} has "
                f"{dialect.pan_nibbles + 4}"
            )
        return None

    def unlike(self, dialect: Dialect) -> str | None:
        """Return what it tells that a head of a dialect would not, or None."""
        if (unreadable := self.unreadable_in(dialect)) is not None:
            return unreadable
        place = PanTiltPositionInquiry().read(self.position, dialect)
        beyond = out_of_reach(dialect, Framing(place.pan_counts, place.tilt_counts, 0, 0, "auto"))
        if beyond is not None:
            return f"{beyond}, yet there it stands"
        known = FastestSpeeds(dialect.pan.fastest_step, dialect.tilt.fastest_step)
        if self.fastest not in (None, known):
            assert self.fastest is not None
            return (
                f"it tells {self.fastest.pan_step} and {self.fastest.tilt_step} as its fastest pan and tilt steps, "
                f"where {dialect.name} has {known.pan_step} and {known.tilt_step}"
            )
        return None

    def others(self, dialect: Dialect) -> Iterator[str]:
        """Yield the names of all other dialects that come with the program and whose heads would tell the same."""
        for name in dialect_names():
            if name != dialect.name and self.unlike(load_dialect(name)) is None:
                yield name
