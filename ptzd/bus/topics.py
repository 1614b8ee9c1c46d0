"""Topics below a base: what a topic commands or reports, and how its name is built from the tables of both."""

from __future__ import annotations

import inspect
from collections.abc import Iterable
from typing import NamedTuple

from ptzd.names import checked_base

from .commands import COMMANDS, Command
from .messages import NAME, OF_A_CAMERA, REPORTS, Report

Kind = type[Command] | type[Report]


def summary_of(kind: Kind) -> str:
    """Return what a command does or a report tells, in the first line that is written on it."""
    return (inspect.getdoc(kind) or "").partition("\n")[0]


class CommandTopic(NamedTuple):
    """A topic that commands something. `camera` is as it was written: it may be no valid name."""

    command: type[Command]
    camera: str | None


class ReportTopic(NamedTuple):
    """A topic on which the daemon speaks."""

    report: type[Report]
    camera: str | None


class Topics:
    """All topics below `base`, such as `ptzd`. Raises ValueError for a base that can't start a topic."""

    def __init__(self, base: str = "ptzd", commands: Iterable[type[Command]] = COMMANDS) -> None:
        self.base = checked_base(base)
        self.commands = tuple(commands)
        self._below = f"{base}/"
        kinds: tuple[Kind, ...] = (*self.commands, *REPORTS)
        self._kinds = {kind.on: kind for kind in kinds}

    @property
    def everything(self) -> str:
        """The filter that matches every topic below the base."""
        return f"{self.base}/#"

    @property
    def overtaking(self) -> tuple[str, ...]:
        """The filters that match the commands that wait behind nothing, for all cameras."""
        return tuple(self.of(one, "+") for one in self.commands if one.halts)

    def overtakes(self, topic: str) -> bool:
        """Whether a topic is that of a command that waits behind nothing."""
        found = self.parse(topic)
        return isinstance(found, CommandTopic) and found.command.halts

    def of(self, kind: Kind, camera: str | None = None) -> str:
        """The topic of a command or a report; `camera` is the name of its camera, where it concerns one."""
        return self._below + (kind.on if camera is None else kind.on.replace(NAME, camera))

    def contains(self, topic: str) -> bool:
        """Whether a topic lies below the base."""
        return topic.startswith(self._below)

    def parse(self, topic: str) -> CommandTopic | ReportTopic | None:
        """What a topic is for, or None where it is none of the daemon's."""
        if not topic.startswith(self._below):
            return None
        below, camera = topic[len(self._below) :], None
        if below.startswith("camera/") and below.count("/") == 2:
            _, camera, verb = below.split("/")
            below = f"{OF_A_CAMERA}{verb}"
        kind = self._kinds.get(below)
        if kind is None:
            return None
        return CommandTopic(kind, camera) if issubclass(kind, Command) else ReportTopic(kind, camera)
