"""The unit file is one that systemd accepts."""

from __future__ import annotations

import configparser
import os
import shutil
import subprocess
from pathlib import Path

import pytest

UNIT = Path(__file__).parent.parent / "systemd" / "ptzd.service"


def test_systemd_finds_nothing_wrong_with_the_unit() -> None:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
            pytest.fail("systemd-analyze is required here and was not found")
        pytest.skip("systemd-analyze was not found")
    done = subprocess.run([tool, "verify", str(UNIT)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_a_stop_takes_at_most_five_seconds_and_the_daemon_has_a_user_and_a_place_of_its_own() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(UNIT)
    service = unit["Service"]
    assert int(service["TimeoutStopSec"]) == 5
    assert service["Type"] == "notify"
    assert service["User"] == "ptzd"
    assert service["StateDirectory"] == "ptzd"
