"""How much faster than real time an evening is played against simulated cameras. Baseline: real time, 500 times.

Two hours, 8 cameras, 300 cues, two moves a cue. Once as `ptzd rehearse --simulate` plays it, passing over the rests in
which nothing moves, and once with every question that the daemon asks of a resting camera. On a busy machine the
processor's seconds tell more than the wall clock's; both are printed.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.bench

CAMERAS = [f"camera-{number}" for number in range(1, 9)]
SHOTS = 12
CUES = 300
GAP_SECONDS = 24.0
BASELINE_TIMES = 500.0
BASELINE_TIMES_AT_REST = 100.0  # a camera at rest is asked seven times a second, so that straying is soon seen


def long_evening(folder: Path) -> list[str]:
    rng = random.Random(5)
    config, positions, show = (folder / name for name in ("config.toml", "positions.toml", "show.toml"))
    config.write_text(
        '[store]\npath = "show.db"\n[tally]\nsource = "none"\n'
        + "".join(
            f'[camera.{name}]\nlink = "udp://127.0.0.1:{52400 + number}"\ndialect = "nibble4-51"\n'
            for number, name in enumerate(CAMERAS)
        )
    )
    positions.write_text(
        "".join(
            f"[positions.{name}.shot-{shot}]\n"
            f"pan_counts = {rng.randint(-2000, 2000)}\ntilt_counts = {rng.randint(-400, 800)}\n"
            f"zoom_counts = {rng.randint(0, 12000)}\nfocus_counts = {rng.randint(6000, 12000)}\n"
            'focus_mode = "manual"\ndialect = "nibble4-51"\nstored_at = 2031-05-24T12:00:00Z\n'
            for name in CAMERAS
            for shot in range(SHOTS)
        )
    )
    stand = ", ".join(f'{name} = "shot-0"' for name in CAMERAS)
    stands = dict.fromkeys(CAMERAS, 0)

    def move(camera: str) -> str:
        stands[camera] = (stands[camera] + rng.randrange(1, SHOTS)) % SHOTS  # another one
        return f'[[cue.move]]\ncamera = "{camera}"\nposition = "shot-{stands[camera]}"\n'

    show.write_text(
        f'[show]\nname = "long-evening"\nstart = {{ {stand} }}\n'
        + "".join(
            f'[[cue]]\nnumber = {number + 1}\nafter = {GAP_SECONDS}\ntake = "{CAMERAS[number % 8]}"\n'
            + "".join(move(CAMERAS[(number + other) % 8]) for other in (0, 4))
            for number in range(CUES)
        )
    )
    return [str(show), "--config", str(config), "--positions", str(positions), "--published"]


def play(*arguments: str) -> dict[str, Any]:
    command = [sys.executable, "-m", "ptzevening", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    played: dict[str, Any] = json.loads(done.stdout)
    return played


@pytest.mark.parametrize(
    ("more", "times"),
    [([], BASELINE_TIMES), (["--rests"], BASELINE_TIMES_AT_REST)],
    ids=["rests passed over", "every rest played"],
)
def test_a_two_hour_evening_with_eight_cameras_and_three_hundred_cues(
    tmp_path: Path, more: list[str], times: float
) -> None:
    played = play(*long_evening(tmp_path), *more)
    took = played["took_seconds"]
    busy, real = took["show_on_processor"], took["show"]
    worst = max(abs(move["difference_seconds"]) for move in played["moves"])
    print(
        f"\n{' '.join(more) or 'as rehearsed'}: {played['seconds']:.0f} s of show in {busy:.1f} s of processor and "
        f"{real:.1f} s in all: {played['seconds'] / busy:.0f} and {played['seconds'] / real:.0f} times faster; "
        f"{played['datagrams']} datagrams; published heads are off by {worst:.2f} s at most"
    )
    assert len(played["moves"]) == 2 * CUES
    assert {move["ended"] for move in played["moves"]} == {"settled"}
    assert played["seconds"] / busy >= times
