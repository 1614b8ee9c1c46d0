"""How a command comes to the one function that does it."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any, Concatenate, ParamSpec, TypeVar

from ptzd.bus import Asked
from ptzd.bus.commands import Command
from ptzd.bus.messages import Result

# What a function brings: nothing or a result, at once or from a task. It raises Refusal for what it does not do.
Brought = Result | None
Doing = Brought | Coroutine[Any, Any, Brought]

C = TypeVar("C", bound=Command)
S = TypeVar("S")
More = ParamSpec("More")  # the camera, for a command to one
Method = Callable[Concatenate[S, Asked[C], More], Doing]


def handles(kind: type[C]) -> Callable[[Method[S, C, More]], Method[S, C, More]]:
    """Mark the method that does a command: it is given what was asked and, where that is for one, its Camera."""

    def mark(method: Method[S, C, More]) -> Method[S, C, More]:
        method.handles = kind  # type: ignore[attr-defined]
        return method

    return mark


def handlers_of(*rooms: object) -> dict[type[Command], Callable[..., Doing]]:
    """Return the marked methods of some objects by their commands. Raises TypeError where two do the same."""
    found: dict[type[Command], Callable[..., Doing]] = {}
    for room in rooms:
        for name, method in vars(type(room)).items():
            if (kind := getattr(method, "handles", None)) is None:
                continue
            if kind in found:
                raise TypeError(f"{kind.__name__} is handled twice")
            found[kind] = getattr(room, name)
    return found
