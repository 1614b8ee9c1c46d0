"""In which position each camera stands as a show goes on: the one rule, for the running show and the rehearsal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Generic, Protocol, TypeVar


class _Move(Protocol):
    @property
    def on_air(self) -> bool: ...


C = TypeVar("C")
M = TypeVar("M", bound=_Move)


def in_order(moves: Sequence[M]) -> Iterator[tuple[int, M | None]]:
    """Yield a cue's moves with their indices as they leave: those off air, None as the cue comes, those on air."""
    for on_air in (False, True):
        if on_air:
            yield -1, None
        yield from ((index, move) for index, move in enumerate(moves) if move.on_air is on_air)


class Stands(Generic[C]):
    """Each camera's position and the cue that has sent it there; None in place of the cue where the show starts."""

    def __init__(self, start: Mapping[str, str]) -> None:
        """`start` is the position in which the show begins, by camera."""
        self._known: dict[str, tuple[str, C | None]] = {camera: (position, None) for camera, position in start.items()}

    def moved(self, camera: str, position: str, cue: C) -> None:
        """A cue has sent it there."""
        self._known[camera] = position, cue

    def switched_on(self, cameras: Iterable[str]) -> None:
        """They sweep their whole range, and stand in no position after that."""
        for camera in cameras:
            self._known.pop(camera, None)

    def position(self, camera: str) -> str | None:
        """Where a camera stands; None where the show does not say so."""
        known = self._known.get(camera)
        return None if known is None else known[0]

    def now(self) -> Mapping[str, tuple[str, C | None]]:
        """Return all that is known now, which does not change with what comes."""
        return dict(self._known)
