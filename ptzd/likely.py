"""What was likely meant by a name or word that nothing has."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

LONGEST_COMPARED = 100  # characters: no longer word is a slip of the hand


def likely(word: str, known: Iterable[str]) -> str | None:
    """Return which of the `known` words was likely meant, if any."""
    if len(word) > LONGEST_COMPARED:
        return None
    return next(iter(difflib.get_close_matches(word, list(known), n=1)), None)


def did_you_mean(word: str, known: Iterable[str], otherwise: str | None = None) -> str:
    """Return the question after the likely word or, where none is, `otherwise`: by default, which there are."""
    names = list(known)
    near = likely(word, names)
    if near is not None:
        return f"did you mean {near}?"
    return f"there are {', '.join(names)}" if otherwise is None else otherwise
