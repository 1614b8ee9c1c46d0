"""Topics below a base (design: "The bus")."""

from __future__ import annotations

import pytest

from ptzd.bus import CommandTopic, ReportTopic, StatusMessage, Topics
from ptzd.bus.commands import COMMANDS, RecallCommand
from ptzd.bus.messages import REPORTS, StateMessage


def test_a_recall_of_a_camera_is_recognised() -> None:
    assert Topics("ptzd").parse("ptzd/camera/left/recall") == CommandTopic(RecallCommand, "left")


def test_stopping_all_and_the_cues_are_for_no_single_camera() -> None:
    topics = Topics("granary/ptzd")
    cues = ("standby", "places", "go", "back", "jump", "hold", "release")
    for command in ("all/stop", *(f"cue/{word}" for word in cues), "show/export", "show/import"):
        found = topics.parse(f"granary/ptzd/{command}")
        assert isinstance(found, CommandTopic) and found.camera is None
        assert topics.of(found.command) == f"granary/ptzd/{command}"


def test_what_the_daemon_says_is_recognised_as_its_own() -> None:
    topics = Topics("ptzd")
    assert topics.parse("ptzd/camera/left/state") == ReportTopic(StateMessage, "left")
    assert topics.parse("ptzd/status") == ReportTopic(StatusMessage, None)
    for report in REPORTS:
        camera = "left" if report.on.startswith("camera/") else None
        assert topics.parse(topics.of(report, camera)) == ReportTopic(report, camera)


def test_no_two_commands_or_reports_share_a_topic() -> None:
    known = [*(command.on for command in COMMANDS), *(report.on for report in REPORTS)]
    assert len(known) == len(set(known))


@pytest.mark.parametrize(
    "topic",
    ["ptzd", "ptzd/", "ptzd/camera", "ptzd/camera/left", "ptzd/camera/left/recall/now", "ptzd/camera//",
     "ptzd2/all/stop", "other/ptzd/all/stop", "ptzd/stop", "ptzd/camera/left/Recall", ""],
)  # fmt: skip
def test_other_topics_command_nothing(topic: str) -> None:
    assert Topics("ptzd").parse(topic) is None


@pytest.mark.parametrize("base", ["", "/ptzd", "ptzd/", "a//b", "ptzd/#", "+/ptzd", "$SYS", "a\0b", "x" * 201])
def test_a_base_that_can_not_start_a_topic_is_refused_in_a_sentence(base: str) -> None:
    with pytest.raises(ValueError, match="such as ptzd"):
        Topics(base)
