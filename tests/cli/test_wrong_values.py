"""What is no sensible value is refused before anything is sent."""

from __future__ import annotations

import pytest

from ptzd.cli.client import refused
from ptzd.cli.main import cli
from ptzd.cli.output import broken, speak_for


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


def test_a_mistake_is_a_sentence_before_the_help_is_named(capsys: pytest.CaptureFixture[str]) -> None:
    assert speak_for(cli, ["positions", "import", "/"]) == 2
    assert "Is a directory. See: ptzd positions import --help" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["", "stop", "positions import"])
def test_help_is_also_asked_for_with_one_letter(capsys: pytest.CaptureFixture[str], command: str) -> None:
    assert speak_for(cli, [*command.split(), "-h"]) == 0
    assert "Example: ptzd" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("asked_of_a_message", "option"),
    [
        ('camera left is on air; to move it all the same, send "on_air": true', "--on-air"),
        ("camera left already has a position wide: store it with replace to put it in its place", "--replace"),
        ("line 3: it is stored already and differs; import with replace, or rename one", "--replace"),
    ],
)
def test_a_refusal_names_the_option_and_not_the_field_of_a_message(asked_of_a_message: str, option: str) -> None:
    told = refused({"sentence": asked_of_a_message}).message
    assert option in told
    assert '"on_air"' not in told


@pytest.mark.parametrize("columns", [40, 80])
def test_a_terminal_gets_sentences_broken_between_words(columns: int) -> None:
    text = "CAUTION: camera gallery will move by itself, at full speed.\n   - keep people clear of it, and cables."
    lines = broken(text, columns).split("\n")
    assert all(len(line) <= columns for line in lines)
    assert " ".join(" ".join(lines).split()) == " ".join(text.split())
    assert any(line.startswith("   - ") for line in lines)


def test_what_cannot_be_broken_stays_whole() -> None:
    assert "/var/lib/" + "a" * 90 in broken("See /var/lib/" + "a" * 90 + " for more.", 40).split("\n")[-2]
