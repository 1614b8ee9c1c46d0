"""Words on a picture: how wide they are, how they are cut to fit, and where labels go so that none covers another.

Nothing here asks a font: widths are those of two usual sans-serif faces, a wide and a common one, so that a label that
is said to fit does so in whatever face the reader has.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

# Widths in hundredths of the type size, the wider of DejaVu Sans and Liberation Sans, measured, rounded up.
_WIDTHS = {
    "Iijl'": 30,
    " ,.": 33,
    "/:;\\f|-": 39,
    "!()[]rt": 42,
    '"*J`sz': 54,
    "?L_ckvxy\u2013": 60,
    "FTaeo": 63,
    "$0123456789bdghnpqu{}": 66,
    "ABEKPSVXYZ": 69,
    "CNRU": 75,
    "&DGH": 78,
    "OQ#+<=>^w~": 84,
    "M%Wm": 99,
    "@\u2026": 102,
}
_WIDTH_OF = {character: width for characters, width in _WIDTHS.items() for character in characters}
_OTHER, _WIDE, _PICTURE = 100, 120, 150
_BOLD = 1.15  # bold letters are wider by a seventh at most, thin ones left aside
CUT = "\u2026"
_SPACES = re.compile("[ \\t\\r\\n]+")  # spaces that don't break stay
# What XML 1.0 (section 2.2) has no place for, and what HTML calls an error besides: controls and noncharacters.
_NONCHARACTERS = "".join(f"{chr(plane * 0x10000 + 0xFFFE)}{chr(plane * 0x10000 + 0xFFFF)}" for plane in range(17))
_FORBIDDEN = re.compile(f"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef{_NONCHARACTERS}]")


def cleaned(text: str) -> str:
    """Return the text in one line, with what no XML document may hold shown as U+FFFD, the sign for that."""
    if text.isprintable() and "  " not in text and text == text.strip(" "):
        return text  # most are like this, and looking for what is wrong takes long
    return _SPACES.sub(" ", _FORBIDDEN.sub("\ufffd", text)).strip(" ")


@lru_cache(maxsize=8192)
def width(text: str, size: float, *, bold: bool = False) -> float:
    """Return how wide a text is at most, in the unit of the type size."""
    hundredths = sum(map(_hundredths, text))
    return hundredths / 100 * size * (_BOLD if bold else 1)


def shortened(text: str, room: float, size: float, *, bold: bool = False) -> str:
    """Return the text, cut so that it fits, with an ellipsis at the end; empty where not even two letters fit."""
    if width(text, size, bold=bold) <= room:
        return text
    kept = ""
    left = room - width(CUT, size, bold=bold)
    for character in text:
        left -= width(character, size, bold=bold)
        if left < 0:
            break
        kept += character
    kept = kept.rstrip()
    return kept + CUT if len(kept) >= 2 else ""


def wrapped(text: str, room: float, size: float) -> list[str]:
    """Return the text in lines that fit; a word that is too long for one is cut into pieces."""
    lines: list[str] = []
    line, taken = "", 0.0
    space = width(" ", size)
    for word in text.split():
        wide = width(word, size)
        if line and taken + space + wide > room:
            lines.append(line)
            line = ""
        while not line and wide > room:
            piece = _piece(word, room, size)
            lines.append(piece)
            word = word[len(piece) :]
            wide = width(word, size)
        line, taken = (f"{line} {word}", taken + space + wide) if line else (word, wide)
    return [*lines, line] if line else lines


@dataclass(frozen=True, slots=True)
class Place:
    """Where a label goes: a level, 0 being the nearest to what it names, and how much room it has there."""

    level: int
    room: float


def places(
    starts: Sequence[float], least: Sequence[float], wished: Sequence[float], levels: int, right: float
) -> tuple[Place, ...]:
    """Place labels that begin at `starts`, in ascending order, so that no two on a level overlap.

    Each gets at least its `least` room and at most its `wished` room. It takes the lowest level where nothing is in
    its way; where all `levels` are taken, the label there that began first is cut down to make room, never below
    its least; and only where that can't be either, there is one more level. `right` is where the last ones end.
    """
    level_of: list[int] = []
    ends: list[float] = []
    begun: list[tuple[float, float]] = []  # of the last label on each level: where its least room ends, where it began
    for start, at_least, at_most in zip(starts, least, wished, strict=True):
        free = next((level for level, end in enumerate(ends) if end <= start), None)
        if free is None and len(ends) >= levels:
            cuttable = [level for level, (end, _) in enumerate(begun) if end <= start]
            free = min(cuttable, key=lambda level: begun[level][1], default=None)
        if free is None:
            free = len(ends)
            ends.append(0.0)
            begun.append((0.0, 0.0))
        ends[free] = start + at_most
        begun[free] = (start + at_least, start)
        level_of.append(free)
    next_on_level: dict[int, float] = {}
    found: list[Place] = []
    for start, at_least, at_most, level in reversed(list(zip(starts, least, wished, level_of, strict=True))):
        room = min(at_most, next_on_level.get(level, right) - start)
        found.append(Place(level, max(at_least, room)))
        next_on_level[level] = start
    return tuple(reversed(found))


def _hundredths(character: str) -> int:
    known = _WIDTH_OF.get(character) or _WIDTH_OF.get(unicodedata.normalize("NFD", character)[0])  # without its accent
    if known is not None:
        return known
    category = unicodedata.category(character)
    if category in ("Mn", "Me", "Cf"):
        return 0
    if category in ("So", "Sk", "Co", "Cn"):
        return _PICTURE
    return _WIDE if unicodedata.east_asian_width(character) in "WF" else _OTHER


def _piece(word: str, room: float, size: float) -> str:
    taken = 1
    while taken < len(word) and width(word[: taken + 1], size) <= room:
        taken += 1
    return word[:taken]
