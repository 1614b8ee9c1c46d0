"""What is said of a name that nothing has."""

from __future__ import annotations

from collections.abc import Iterable

from ptzd.likely import did_you_mean


def unknown(kind: str, name: str, known: Iterable[str]) -> str:
    """Return the sentence on a name of some kind that is not `known`: which was likely meant, or which there are."""
    names = sorted(known)
    return f"there is no {kind} {name}; {did_you_mean(name, names)}" if names else f"there is no {kind} yet"
