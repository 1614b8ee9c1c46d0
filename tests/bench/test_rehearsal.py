"""A long evening is rehearsed from a cold start in a moment, and twice as many cues take twice as long.

Measured is processor time of a whole process, from its start to its end, so that what else runs on the machine does
not count. The baseline is a process that does the least any rehearsal must: start Python, import pydantic and click,
and parse the same file with tomllib.
"""

from __future__ import annotations

import random
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import pytest

from ptzd.config import load_config
from ptzd.daemon import camera_settings
from ptzd.files import read_show_text
from ptzd.positions import read_show
from ptzd.rehearsal import RehearsedCamera, rehearse
from ptzd.rehearsal.going import Going
from ptzd.rehearsal.moves import Company

CAMERAS = 24
PLACES = 12
BASELINE = "import sys, tomllib, pydantic, click; tomllib.loads(open(sys.argv[1]).read())"
REHEARSE = "import sys; from ptzd.cli import main; main()"


def show(cues: int, rng: random.Random) -> str:
    """An evening in which each cue takes another camera, sent to one of its places before."""
    lines = ['[show]\nname = "long-evening"\n']
    on_air = 0
    for number in range(1, cues + 1):
        on_air = (on_air + rng.randint(1, CAMERAS - 1)) % CAMERAS
        gap = f"{rng.uniform(2, 20):.1f}"  # now and then too short
        when = f"after = {gap}" if number % 2 else f"on_call = true\nexpected = {gap}"
        lines.append(
            f'[[cue]]\nnumber = {number}\nlabel = "Cue {number}"\n{when}\ntake = "cam-{on_air}"\n\n'
            f'[[cue.move]]\ncamera = "cam-{on_air}"\nposition = "place-{rng.randrange(PLACES)}"\n'
        )
    return "\n".join(lines)


def write_theatre(folder: Path, rng: random.Random) -> None:
    """The configuration and the positions of 24 cameras."""
    config = ['[store]\npath = "show.db"\n']
    positions = []
    for camera in range(CAMERAS):
        config.append(
            f'[camera.cam-{camera}]\nlink = "udp://127.0.0.1:{52000 + camera}"\ndialect = "nibble4-51"\n'
            "sensor = [35.9, 24.0]\nfocal_length = [28, 135]\n"
        )
        positions += [
            f"[positions.cam-{camera}.place-{place}]\npan_counts = {rng.randint(-5000, 5000)}\n"
            f"tilt_counts = {rng.randint(-900, 2000)}\nzoom_counts = {rng.randint(0, 16384)}\n"
            f'focus_counts = {rng.randint(4096, 40000)}\nfocus_mode = "manual"\ndialect = "nibble4-51"\n'
            for place in range(PLACES)
        ]
    (folder / "config.toml").write_text("\n".join(config))
    (folder / "positions.toml").write_text("\n".join(positions))


def processor_seconds(*arguments: str) -> float:
    """Run Python with these arguments; return the processor time that it took in all."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    ended = subprocess.run((sys.executable, *arguments), capture_output=True, check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert (ended.returncode, ended.stderr) in ((0, b""), (1, b"")), ended.stderr
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def least(measure: Callable[[], float], times: int = 5) -> float:
    """The least of some measurements: everything that disturbs one makes it longer."""
    return min(measure() for _ in range(times))


@pytest.mark.bench
def test_2000_cues_and_24_cameras_from_a_cold_start(tmp_path: Path) -> None:
    rng = random.Random(2031)
    write_theatre(tmp_path, rng)
    rehearsed, baseline = {}, {}
    for cues in (250, 500, 1000, 2000):
        path = tmp_path / f"{cues}.toml"
        path.write_text(show(cues, rng))
        rest = ("--config", str(tmp_path / "config.toml"), "--positions", str(tmp_path / "positions.toml"))
        rehearsed[cues] = least(partial(processor_seconds, "-c", REHEARSE, "rehearse", str(path), *rest))
        baseline[cues] = least(partial(processor_seconds, "-c", BASELINE, str(path)))
    print("\n  cues  rehearse  baseline  ratio  (processor seconds, cold start)")
    for cues, seconds in rehearsed.items():
        print(f"{cues:6}  {seconds:8.2f}  {baseline[cues]:8.2f}  {seconds / baseline[cues]:5.1f}")
    assert rehearsed[2000] / baseline[2000] < 16.0  # most of it for trying what would help


def theatre(folder: Path) -> dict[str, RehearsedCamera]:
    """The cameras of that configuration, with those positions."""
    write_theatre(folder, random.Random(2031))
    config = load_config(folder / "config.toml")
    text = (folder / "positions.toml").read_text()
    positions = read_show(text, datetime(2031, 5, 24, tzinfo=UTC), lambda camera, name: None, replace=True)
    return {
        name: RehearsedCamera(
            camera_settings(name, settings),
            {position.name: position for position in positions if position.camera == name},
        )
        for name, settings in config.camera.items()
    }


@pytest.mark.bench
def test_trying_every_remedy_takes_a_few_times_as_long_as_finding_the_conflicts(tmp_path: Path) -> None:
    cameras = theatre(tmp_path)
    evening = read_show_text(show(2000, random.Random(7)))
    conflicts = rehearse(evening, cameras).conflicts

    def measure(go: Callable[[], object]) -> float:
        began = time.process_time()
        go()
        return time.process_time() - began

    without = least(lambda: measure(lambda: Going.through(evening, Company(cameras))))
    tried = least(lambda: measure(lambda: rehearse(evening, cameras)))
    remedies = sum(len(conflict.remedies) for conflict in conflicts)
    print(f"\n2000 cues, {len(conflicts)} conflicts, {remedies} remedies: {tried:.2f} s, {tried / without:.1f} times")
    assert len(conflicts) > 100 and remedies > 300
    assert tried < 10.0 * without


@pytest.mark.bench
def test_twice_as_many_cues_take_twice_as_long(tmp_path: Path) -> None:
    cameras = theatre(tmp_path)

    def measure(text: str) -> float:
        began = time.process_time()
        rehearse(read_show_text(text), cameras)
        return time.process_time() - began

    seconds = {}
    print("\n  cues  milliseconds  each  (read and rehearsed, without the start)")
    for cues in (250, 500, 1000, 2000):
        evening = show(cues, random.Random(7))
        seconds[cues] = least(partial(measure, evening))
        print(f"{cues:6}  {1000 * seconds[cues]:12.1f}  {1000 * seconds[cues] / cues:.3f}")
    # Each pair of camera, place and place is planned once, so that a further cue may cost less, but never more.
    assert seconds[2000] < 1.3 * 8 * seconds[250]
