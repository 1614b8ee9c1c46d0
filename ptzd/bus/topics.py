"""Topics below a base: what a topic commands or reports, and how its name is built from the tables of both."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

from ptzd.names import checked_base

from .commands import COMMANDS, Command
from .messages import NAME, OF_A_CAMERA, REPORTS, Report

Kind = type[Command] | type[Report]


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
        self._plain: dict[str, CommandTopic | ReportTopic] = {}
        self._commands: dict[str, type[Command]] = {}  # to one camera, by the last level
        self._reports: dict[str, type[Report]] = {}  # of one camera, by the last level
        for command in self.commands:
            if command.on.startswith(OF_A_CAMERA):
                self._commands[command.on.removeprefix(OF_A_CAMERA)] = command
            else:
                self._plain[command.on] = CommandTopic(command, None)
        for report in REPORTS:
            if report.on.startswith(OF_A_CAMERA):
                self._reports[report.on.removeprefix(OF_A_CAMERA)] = report
            else:
                self._plain[report.on] = ReportTopic(report, None)

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
        below = topic[len(self._below) :]
        if not below.startswith("camera/"):
            return self._plain.get(below)
        levels = below.split("/")
        if len(levels) != 3:
            return None
        _, camera, verb = levels
        if (command := self._commands.get(verb)) is not None:
            return CommandTopic(command, camera)
        if (report := self._reports.get(verb)) is not None:
            return ReportTopic(report, camera)
        return None
