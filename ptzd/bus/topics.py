"""Topics below a base: what a topic commands or reports, and how its name is built from the tables of both."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from .commands import COMMANDS, Command
from .messages import NAME, OF_A_CAMERA, REPORTS, Report

LONGEST_BASE = 200  # characters

Kind = type[Command] | type[Report]


@dataclass(frozen=True, slots=True)
class CommandTopic:
    """A topic that commands something. `camera` is as it was written: it may be no valid name."""

    command: type[Command]
    camera: str | None


@dataclass(frozen=True, slots=True)
class ReportTopic:
    """A topic on which the daemon speaks."""

    report: type[Report]
    camera: str | None


class Topics:
    """All topics below `base`, such as `ptzd`. Raises ValueError for a base that can't start a topic."""

    def __init__(self, base: str = "ptzd", commands: Iterable[type[Command]] = COMMANDS) -> None:
        levels = base.split("/")
        if len(base) > LONGEST_BASE or not all(levels) or base.startswith("$") or set(base) & set("+#\0"):
            raise ValueError(
                f"{base[:40]!r} can't be the base of topics: write one or more words with a slash between them, "
                f"without +, # and a $ at the start, at most {LONGEST_BASE} characters, such as ptzd"
            )
        self.base = base
        self.commands = tuple(commands)
        self._below = f"{base}/"
        self._plain: dict[str, CommandTopic | ReportTopic] = {}
        self._of_a_camera: dict[str, Kind] = {}  # by the topic's last level
        kinds: tuple[Kind, ...] = (*self.commands, *REPORTS)
        for each in kinds:
            if each.on.startswith(OF_A_CAMERA):
                self._of_a_camera[each.on.removeprefix(OF_A_CAMERA)] = each
            else:
                self._plain[each.on] = _found(each, None)

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
        if len(levels) != 3 or (kind := self._of_a_camera.get(levels[2])) is None:
            return None
        return _found(kind, levels[1])


def _found(kind: Kind, camera: str | None) -> CommandTopic | ReportTopic:
    return CommandTopic(kind, camera) if issubclass(kind, Command) else ReportTopic(kind, camera)
