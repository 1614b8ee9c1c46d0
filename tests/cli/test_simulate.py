"""`ptzd rehearse --simulate`: predicted beside simulated, and what is said where they can't be compared."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ptzd.cli.commands import rehearse_simulated as simulation
from ptzd.cli.output import Failure

Told = Callable[..., str]
Evening = Callable[[str], list[list[str]]]

MOVE: dict[str, Any] = {
    "cue_number": 12.5,
    "camera": "left",
    "position": "piano",
    "predicted_seconds": 2.0,
    "promised_seconds": 2.0,
    "simulated_seconds": 2.1,
    "difference_seconds": 0.1,
    "ended": "settled",
    "from_position": "choir-wide",
    "stood_in": "choir-wide",
    "conflict": None,
    "in_time": True,
    "sentence": None,
}
PLAYED = {
    "seconds": 541.0,
    "skipped_seconds": 460.0,
    "datagrams": 4000,
    "times_faster": 541.0,
    "sweeps": [],
    "took_seconds": {"show": 1.0, "show_on_processor": 0.5, "all": 5.0},
}
REFUSED = {"ended": "refused", "simulated_seconds": None, "difference_seconds": None, "in_time": False}


@pytest.fixture
def told(capsys: pytest.CaptureFixture[str]) -> Told:
    def tell(*moves: dict[str, Any]) -> str:
        simulation.print_simulated(PLAYED | {"moves": list(moves)}, 120)
        return capsys.readouterr().out

    return tell


@pytest.fixture
def evening(monkeypatch: pytest.MonkeyPatch) -> Evening:
    """Stands in for the process that plays the evening, and keeps how it was called."""
    calls: list[list[str]] = []

    def stand_in(out: str) -> list[list[str]]:
        def run(command: list[str], **how: Any) -> subprocess.CompletedProcess[str]:
            calls.append(command)
            return subprocess.CompletedProcess(command, 0, out)

        monkeypatch.setattr(subprocess, "run", run)
        return calls

    return stand_in


def test_each_move_is_told_as_predicted_and_as_simulated(told: Told) -> None:
    said = told(MOVE)
    assert all(words in said for words in ("12.5", "left", "piano", "2.00 s", "2.10 s", "+0.10 s", "yes"))
    assert "1 of 1 moves that settled took as long as predicted" in said
    assert "541 times faster" in said


def test_what_differs_by_more_than_two_tenths_is_marked_and_is_the_farthest_off(told: Told) -> None:
    said = told(MOVE, MOVE | {"position": "hands", "simulated_seconds": 2.3, "difference_seconds": 0.3})
    assert "+0.30 s !" in said
    assert "1 of 2 moves" in said
    assert "farthest off is left to hands by +0.30 s" in said


def test_a_refusal_is_told_in_the_daemons_words(told: Told) -> None:
    said = told(MOVE, MOVE | REFUSED | {"sentence": "camera left is on air"})
    assert "refused" in said
    assert "cue 12.5, left to piano: camera left is on air." in said


def test_a_refusal_that_the_rehearsal_foretold_is_told_as_that(told: Told) -> None:
    said = told(MOVE, MOVE | REFUSED | {"conflict": "still-on-air", "sentence": "camera left is on air"})
    assert "as the rehearsal foretells (still-on-air), camera left is on air." in said


def test_a_camera_that_stands_there_already_is_told_not_to_be_sent_and_of_no_other_is_that_said(told: Told) -> None:
    stood = MOVE | {"ended": "stood", "simulated_seconds": 0.0, "difference_seconds": None, "stood_in": "piano"}
    sentence = "cue 12.5, left to piano: the camera stands there already and is not sent."
    assert sentence in told(MOVE, stood)
    assert "stands there" not in told(MOVE, MOVE | REFUSED | {"sentence": None})


def test_a_camera_that_stood_elsewhere_is_told_of_and_compared_all_the_same(told: Told) -> None:
    said = told(MOVE | {"stood_in": "hands"})
    assert "stood in hands as it left, not in choir-wide as rehearsed" in said
    assert "2.00 s" in said
    assert "+0.10 s" in said


def test_a_camera_that_is_switched_on_in_the_show_is_told_with_its_sweep(capsys: pytest.CaptureFixture[str]) -> None:
    swept = {"cue_number": 3.0, "camera": "right", "predicted_seconds": 30.0, "simulated_seconds": 26.04}
    never = swept | {"simulated_seconds": None}
    simulation.print_simulated(PLAYED | {"moves": [], "sweeps": [swept, never]}, 120)
    first, second = capsys.readouterr().out.splitlines()[-2:]
    assert "cue 3 switches right on" in first and "26.0 s" in first and "about 30 s" in first
    assert "did not get ready" in second


def test_of_a_long_show_the_moves_that_are_farthest_off_are_shown(capsys: pytest.CaptureFixture[str]) -> None:
    moves = [MOVE | {"position": f"shot-{number}-", "difference_seconds": 0.001 * number} for number in range(6)]
    simulation.print_simulated(PLAYED | {"moves": moves}, 2)
    said = capsys.readouterr().out
    assert [number for number in range(6) if f"shot-{number}-" in said] == [4, 5]
    assert "Shown are the 2 moves" in said
    assert "6 of 6 moves" in said


def test_a_show_without_moves_has_nothing_to_compare(told: Told) -> None:
    assert "Played through the daemon against simulated cameras" in told()


def test_the_evening_is_played_with_the_same_files_and_seed(evening: Evening) -> None:
    calls = evening(json.dumps(PLAYED | {"moves": []}))
    simulation.simulated(Path("show.toml"), Path("config.toml"), Path("positions.toml"), 7)
    simulation.simulated(Path("show.toml"), Path("config.toml"), None, 7)
    assert calls[0][1:4] == ["-m", "ptzevening", "show.toml"]
    assert calls[0][4:] == ["--config", "config.toml", "--seed", "7", "--positions", "positions.toml"]
    assert "--positions" not in calls[1]


def test_an_evening_that_can_not_be_played_ends_in_its_own_sentence(evening: Evening) -> None:
    evening('{"error": "there is no camera centre"}')
    with pytest.raises(Failure, match="there is no camera centre"):
        simulation.simulated(Path("show.toml"), Path("config.toml"), None, 7)


def test_an_evening_that_breaks_off_is_told_of(evening: Evening) -> None:
    evening("")
    with pytest.raises(Failure, match="not played to its end"):
        simulation.simulated(Path("show.toml"), Path("config.toml"), None, 7)
