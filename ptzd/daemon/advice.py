"""What is said of a name that nothing has."""

from __future__ import annotations

import difflib
from collections.abc import Iterable


def unknown(kind: str, name: str, known: Iterable[str]) -> str:
    """Return the sentence on a name of some kind that is not `known`: which was likely meant, or which there are."""
    names = sorted(known)
    near = difflib.get_close_matches(name, names, 1)
    if near:
        return f"there is no {kind} {name}; did you mean {near[0]}?"
    return f"there is no {kind} {name}; known are {', '.join(names)}" if names else f"there is no {kind} yet"
