"""Show file, positions and configuration are read together, and every name that is nowhere is told at once."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from brokers import free_port as another_free_port

from ptzd.cli.main import cli
from ptzd.cli.output import speak_for

SHOW = """\
[show]
name = "evening"
on_air = "gallery"
[show.start]
left = "door"
[[cue]]
number = 1
after = 5.0
take = "left"
[[cue]]
number = 12.5
after = 60.0
take = "galery"
[[cue.move]]
camera = "left"
position = "soloits"
[[cue]]
number = 13
after = 60.0
[[cue.move]]
camera = "balcony"
position = "wide"
"""
MISTAKES = (
    (5, "camera left has no position door; there are soloist, wide"),
    (13, "cue 12.5, take: there is no camera galery; did you mean gallery?"),
    (16, "cue 12.5, move 1, position: camera left has no position soloits; did you mean soloist?"),
    (21, "cue 13, move 1, camera: there is no camera balcony; there are gallery, left"),
)


def position(camera: str, name: str) -> str:
    return (
        f"[positions.{camera}.{name}]\npan_counts = 0\ntilt_counts = 0\nzoom_counts = 0\nfocus_counts = 8192\n"
        'focus_mode = "auto"\ndialect = "nibble4-51"\n'
    )


@pytest.fixture
def folder(tmp_path: Path, free_port: int) -> Path:
    """A show, its positions, and a configuration of two cameras of which none is there."""
    (tmp_path / "evening.toml").write_text(SHOW)
    positions = (("left", "soloist"), ("left", "wide"), ("gallery", "wide"), ("galerie", "wide"))
    (tmp_path / "positions.toml").write_text("".join(position(*each) for each in positions))
    (tmp_path / "granary.toml").write_text(
        f'[broker]\nport = {free_port}\n[store]\npath = "show.db"\n[show]\nfile = "evening.toml"\n'
        f'[camera.left]\nlink = "udp://127.0.0.1:{free_port}"\ndialect = "nibble4-51"\n'
        f'[camera.gallery]\nlink = "udp://127.0.0.1:{another_free_port()}"\ndialect = "nibble4-51"\n'
    )
    return tmp_path


def corrected(show: Path) -> None:
    text = show.read_text()
    for wrong, right in (("galery", "gallery"), ("soloits", "soloist"), ("door", "wide"), ("balcony", "gallery")):
        text = text.replace(wrong, right)
    show.write_text(text)


def test_a_check_finds_every_unknown_camera_and_position_of_the_show(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["check", "--config", str(folder / "granary.toml"), "--positions", str(folder / "positions.toml")]
    assert speak_for(cli, [*arguments, "--json"]) == 1
    findings = json.loads(capsys.readouterr().out)["findings"]
    of_show = [finding for finding in findings if finding["subject"] == "show"]
    assert [finding["state"] for finding in of_show] == ["failed"] * 4
    for finding, (line, sentence) in zip(of_show, MISTAKES, strict=True):
        assert finding["sentence"].startswith(f"evening.toml: line {line}, ")
        assert finding["sentence"].endswith(sentence)
    [stranger] = [finding for finding in findings if finding["state"] == "caution"]
    assert "galerie" in stranger["sentence"]
    assert "did you mean gallery?" in stranger["sentence"]

    corrected(folder / "evening.toml")
    speak_for(cli, [*arguments, "--json"])
    findings = json.loads(capsys.readouterr().out)["findings"]
    shown, times = [finding for finding in findings if finding["subject"] == "show"]
    assert (shown["state"], times["what"], times["state"]) == ("ok", "times", "unseen")
    assert "`ptzd rehearse`" in times["sentence"], "whether its moves fit is not seen by a look"


def test_without_any_positions_a_check_never_says_that_a_show_has_them(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    corrected(folder / "evening.toml")
    assert speak_for(cli, ["check", "--config", str(folder / "granary.toml")]) == 1
    said = capsys.readouterr().out
    assert said.count("none at all yet; store one") == 3


def test_an_order_is_checked_against_configuration_and_positions(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show, config, positions = (str(folder / f"{name}.toml") for name in ("evening", "granary", "positions"))
    assert speak_for(cli, ["order", "check", show]) == 0
    assert "whether its cameras and positions exist, --config would tell" in capsys.readouterr().out
    together = ["order", "check", show, "--config", config, "--positions", positions]
    assert speak_for(cli, together) == 2
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 4
    for said, (line, sentence) in zip(lines, MISTAKES, strict=True):
        assert f"line {line}, " in said
        assert said.endswith(sentence)
    assert speak_for(cli, ["order", "check", show, "--positions", positions]) == 2, "those in the file alone"
    assert "there is no camera balcony; there are galerie, gallery, left" in capsys.readouterr().err
    assert speak_for(cli, ["order", "check", show, "--config", config]) == 2, "there is no store"
    assert "--positions FILE" in capsys.readouterr().err

    corrected(folder / "evening.toml")
    assert speak_for(cli, together) == 0
    said = capsys.readouterr().out
    assert said.startswith("evening.toml has no mistakes: 3 cues, 2 moves.\n")
    assert "Positions of camera galerie are stored, but there is no camera galerie; did you mean gallery?\n" in said
