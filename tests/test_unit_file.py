"""The unit file is one that systemd accepts."""

from __future__ import annotations

import configparser
import os
import shlex
import shutil
import subprocess
from pathlib import Path

import click
import pytest

from ptzd.cli.main import cli

UNIT = Path(__file__).parent.parent / "systemd" / "ptzd.service"


def test_systemd_finds_nothing_wrong_with_the_unit() -> None:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        if os.environ.get("PTZD_REQUIRE_TOOLS") == "1":
            pytest.fail("systemd-analyze is required here and was not found")
        pytest.skip("systemd-analyze was not found")
    done = subprocess.run([tool, "verify", str(UNIT)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def service_section() -> configparser.SectionProxy:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(UNIT)
    return unit["Service"]


def test_a_stop_takes_at_most_five_seconds_and_the_daemon_has_a_user_and_a_place_of_its_own() -> None:
    service = service_section()
    assert int(service["TimeoutStopSec"]) == 5
    assert service["Type"] == "notify"
    assert service["User"] == "ptzd"
    assert service["StateDirectory"] == "ptzd"


def test_the_guard_outlives_the_daemon_that_the_manager_ends() -> None:
    assert service_section()["KillMode"] == "process"  # systemd.kill(5): only the main process is killed


def test_a_daemon_whose_loop_stands_still_is_noticed() -> None:
    service = service_section()
    assert 0 < int(service["WatchdogSec"]) <= 10
    assert service["NotifyAccess"] == "main"  # the loop itself must say it, not another process


def test_every_camera_is_stopped_after_the_daemon_within_the_time_that_a_stop_may_take() -> None:
    service = service_section()
    _, *arguments = shlex.split(service["ExecStopPost"].partition("exec ")[2].rstrip("'"))
    command = cli.get_command(click.Context(cli), arguments[0])
    assert command is not None
    given = command.make_context("halt", arguments[1:]).params
    assert f"--config {given['path']}" in service["ExecStart"]
    assert given["seconds"] + 1.5 < int(service["TimeoutStopSec"])


def test_a_serial_port_can_be_opened_also_one_that_is_plugged_in_later_and_no_other_device() -> None:
    service = service_section()
    assert service.get("PrivateDevices", "no") == "no"  # systemd.exec(5): with it there are no such devices
    assert service["DevicePolicy"] == "closed"
    assert service["SupplementaryGroups"] == "dialout"  # Debian's group of serial ports
    allowed = [line.partition("=")[2] for line in UNIT.read_text().splitlines() if line.startswith("DeviceAllow=")]
    assert sorted(allowed) == ["char-ttyACM rw", "char-ttyS rw", "char-ttyUSB rw"]
    # systemd.resource-control(5): a group that is unknown when the unit starts is not allowed later either.
    for module in ("usbserial", "cdc_acm"):
        assert f"modprobe@{module}.service" in UNIT.read_text().partition("[Service]")[0]


@pytest.mark.parametrize(("status", "halted"), [("0", True), ("1", True), ("KILL", True), ("2", False)])
def test_a_daemon_that_was_refused_stops_no_camera_of_another_and_is_not_started_again(
    tmp_path: Path, status: str, halted: bool
) -> None:
    """What becomes of `$$`, systemd.service(5) tells, and of EXIT_STATUS systemd.exec(5)."""
    (tmp_path / "ptzd").write_text(f"#!/bin/sh\necho $1 > {tmp_path}/said\n")
    (tmp_path / "ptzd").chmod(0o755)
    shell, option, words = shlex.split(service_section()["ExecStopPost"].replace("$$", "$"))
    environment = {"PATH": f"{tmp_path}:{os.environ['PATH']}", "EXIT_STATUS": status}
    assert subprocess.run([shell, option, words], env=environment, check=False).returncode == 0
    assert (tmp_path / "said").exists() == halted
    assert service_section()["RestartPreventExitStatus"] == "2"
