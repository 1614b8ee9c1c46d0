"""What is no sensible value is refused before anything is sent."""

from __future__ import annotations

import pytest

from ptzd.cli.main import cli
from ptzd.cli.speech import speak_for


@pytest.mark.parametrize(
    "arguments",
    [
        "recall gallery choir-wide --seconds nan",
        "recall gallery choir-wide --timeout nan",
        "recall gallery choir-wide --timeout inf",
        "store gallery choir-wide --seconds nan",
        "watch --for nan",
    ],
)
def test_a_number_is_finite(capsys: pytest.CaptureFixture[str], arguments: str) -> None:
    assert speak_for(cli, arguments.split()) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "is not a finite number" in err
    assert err.count("\n") == 1


def test_a_lock_says_why(capsys: pytest.CaptureFixture[str]) -> None:
    assert speak_for(cli, ["lock", "gallery", "--reason", " "]) == 2
    assert '--reason "changing the lens"' in capsys.readouterr().err


def test_a_mistake_is_a_sentence_before_the_help_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert speak_for(cli, ["positions", "import", "/"]) == 2
    assert "Is a directory. See: ptzd positions import --help" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["", "stop", "positions import"])
def test_help_is_also_asked_for_with_one_letter(capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert speak_for(cli, [*command.split(), "-h"]) == 0
    assert "Example: ptzd" in capsys.readouterr().out
