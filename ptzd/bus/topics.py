"""Topics below a base: what a topic commands or reports, and how its name is built.

Every topic the daemon listens to or speaks on is in one of the first four tuples here.
"""

from __future__ import annotations

from dataclasses import dataclass

CAMERA_COMMANDS = (
    "recall",
    "store",
    "drive",
    "stop",
    "lock",
    "unlock",
    "tally",
    "rename",
    "delete",
    "revert",
    "history",
    "learn",
)
PLAIN_COMMANDS = (
    "all/stop",
    "cue/standby",
    "cue/go",
    "cue/back",
    "cue/jump",
    "cue/hold",
    "cue/release",
    "show/export",
    "show/import",
)
CAMERA_REPORTS = ("state", "move", "positions", "learn-progress")
PLAIN_REPORTS = ("status", "outcome", "cue/state")

OVERTAKING = ("stop", "all/stop", "lock")  # the commands that wait behind nothing

LONGEST_BASE = 200  # characters


@dataclass(frozen=True, slots=True)
class CommandTopic:
    """A topic that commands something. `camera` is as it was written: it may be no valid name."""

    command: str  # one of CAMERA_COMMANDS with a camera, one of PLAIN_COMMANDS without
    camera: str | None


@dataclass(frozen=True, slots=True)
class ReportTopic:
    """A topic on which the daemon speaks."""

    report: str  # one of CAMERA_REPORTS with a camera, one of PLAIN_REPORTS without
    camera: str | None


class Topics:
    """All topics below `base`, such as `ptzd`. Raises ValueError for a base that can't start a topic."""

    def __init__(self, base: str = "ptzd") -> None:
        levels = base.split("/")
        if len(base) > LONGEST_BASE or not all(levels) or base.startswith("$") or set(base) & set("+#\0"):
            raise ValueError(
                f"{base[:40]!r} can't be the base of topics: write one or more words with a slash between them, "
                f"without +, # and a $ at the start, at most {LONGEST_BASE} characters, such as ptzd"
            )
        self.base = base
        self._below = f"{base}/"
        self._plain: dict[str, CommandTopic | ReportTopic] = {
            **{command: CommandTopic(command, None) for command in PLAIN_COMMANDS},
            **{report: ReportTopic(report, None) for report in PLAIN_REPORTS},
        }

    @property
    def everything(self) -> str:
        """The filter that matches every topic below the base."""
        return f"{self.base}/#"

    @property
    def overtaking(self) -> tuple[str, ...]:
        """The filters that match the commands that wait behind nothing, for all cameras."""
        return tuple(self.command(one, "+" if one in CAMERA_COMMANDS else None) for one in OVERTAKING)

    def overtakes(self, topic: str) -> bool:
        """Whether a topic is that of a command that waits behind nothing."""
        found = self.parse(topic)
        return isinstance(found, CommandTopic) and found.command in OVERTAKING

    @property
    def status(self) -> str:
        """Whether the daemon is online (retained)."""
        return f"{self.base}/status"

    @property
    def outcome(self) -> str:
        """What became of commands."""
        return f"{self.base}/outcome"

    @property
    def cue_state(self) -> str:
        """The standing cue and the next (retained)."""
        return f"{self.base}/cue/state"

    def state(self, camera: str) -> str:
        """What a camera does (retained)."""
        return f"{self.base}/camera/{camera}/state"

    def move(self, camera: str) -> str:
        """Each phase of each move of a camera."""
        return f"{self.base}/camera/{camera}/move"

    def learn_progress(self, camera: str) -> str:
        """How far the measuring of a camera's head has come."""
        return f"{self._below}camera/{camera}/learn-progress"

    def positions(self, camera: str) -> str:
        """A camera's stored positions (retained)."""
        return f"{self.base}/camera/{camera}/positions"

    def command(self, command: str, camera: str | None = None) -> str:
        """The topic of a command: one of CAMERA_COMMANDS with a camera's name, one of PLAIN_COMMANDS without."""
        return f"{self.base}/{command}" if camera is None else f"{self.base}/camera/{camera}/{command}"

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
        if verb in CAMERA_COMMANDS:
            return CommandTopic(verb, camera)
        if verb in CAMERA_REPORTS:
            return ReportTopic(verb, camera)
        return None
