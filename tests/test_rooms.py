"""The floors of the house hold: no import runs upwards, none in a circle."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_every_contract_between_the_rooms_is_kept() -> None:
    tool = shutil.which("lint-imports", path=str(Path(sys.executable).parent))
    assert tool is not None, "import-linter belongs to the test requirements"
    done = subprocess.run([tool, "--no-cache"], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout


def test_what_finds_mistakes_in_a_configuration_is_not_read_before_cameras_are_told_to_stop() -> None:
    looked = "import sys, ptzd.cli.commands.halt; print(*sys.modules)"
    read = subprocess.run([sys.executable, "-c", looked], capture_output=True, text=True, check=True).stdout.split()
    assert not {"ptzd.config", "ptzd.files", "ptzd.motion", "tomlkit"} & set(read)
