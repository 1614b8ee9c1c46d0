"""A systemd of our own: the real one, in namespaces of its own, that runs the unit file as it is installed.

It sees the machine's files with places of its own for what it writes: `/run`, `/etc`, `/var/lib`, `/opt` and
`/usr/local/bin`. The network is the test's, so that the daemon reaches the simulated cameras on 127.0.0.1. Nothing but
the unit and the targets that it names is loaded.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import sysconfig
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil
import pytest
from brokers import required

ROOT = Path(__file__).resolve().parent.parent
UNIT = ROOT / "systemd" / "ptzd.service"
SYSTEMD = "/lib/systemd/systemd"
TARGETS = ("basic", "sysinit", "shutdown", "network-online", "multi-user")
START_SECONDS = 20.0
NAMESPACES = ["unshare", "--fork", "--kill-child", "--pid", "--mount-proc", "--mount", "--cgroup", "--ipc", "--uts"]
PTZD = """#!/bin/sh
PYTHONPATH=/opt/house:/opt/packages exec {} -c "from ptzd.cli import main; main()" "$@"
"""
SETUP = """
set -e
mount --make-rprivate /
folder=$1 house=$2 packages=$3
for place in /run /var/lib /opt /usr/local/bin; do mount -t tmpfs tmpfs $place; done
mkdir -p /run/systemd /opt/house /opt/packages /opt/etc /opt/work
mount --bind "$house" /opt/house
mount --bind "$packages" /opt/packages
mount -t overlay overlay -o lowerdir=/etc,upperdir=/opt/etc,workdir=/opt/work /etc
mkdir -p /etc/ptzd
cp "$folder/show.toml" /etc/ptzd/ptzd.toml
if [ -e "$folder/password" ]; then install -D -m 600 "$folder/password" /etc/credstore/ptzd-password; fi
cp "$folder/ptzd" /usr/local/bin/ptzd
chmod 755 /usr/local/bin/ptzd
mount --make-rshared / # as systemd finds it on a machine: what it mounts for a unit it mounts in a process beside
export container=lxc SYSTEMD_UNIT_PATH="$folder/units"
exec "$4" --system --unit=basic.target --log-target=console --show-status=no --crash-reboot=no
"""


def python_for_anybody() -> str:
    """Return an interpreter of this version that a user without a home of its own may start. Skips without one."""
    minor = f"python{sys.version_info.major}.{sys.version_info.minor}"
    return required(f"/usr/bin/{minor}")


@dataclass(frozen=True, slots=True)
class Systemd:
    """A systemd that runs."""

    pid: int
    log: Path

    def ctl(self, *arguments: str) -> str:
        """Call systemctl; return what it prints. Raises CalledProcessError where it ends with anything but 0."""
        inside = ("nsenter", "-t", str(self.pid), "-p", "-m", "-u", "-i", "-C")
        done = subprocess.run([*inside, "systemctl", *arguments], capture_output=True, text=True, check=False)
        if done.returncode:
            raise AssertionError(f"systemctl {' '.join(arguments)}: {done.stdout}{done.stderr}{self.said()}")
        return done.stdout

    def said(self) -> str:
        """Return what systemd and the unit have said."""
        return "".join(each.read_text("utf-8", "replace") for each in self.log.parent.glob("s*.log"))

    def shows(self, name: str) -> str:
        """Return one property of the unit."""
        return self.ctl("show", "--property", name, "--value", UNIT.name).strip()

    def main(self) -> psutil.Process | None:
        """The daemon itself, as it is seen from outside, or None while there is none."""
        inside = self.shows("MainPID")
        for each in psutil.Process(self.pid).children(recursive=True):
            status = Path(f"/proc/{each.pid}/status").read_text()
            numbers = next(line.split()[1:] for line in status.splitlines() if line.startswith("NSpid:"))
            if numbers[-1] == inside:
                return each
        return None


@contextmanager
def own_systemd(folder: Path) -> Iterator[Systemd]:
    """Start a systemd that knows the unit, with `folder`/show.toml as its configuration. Skips where it can't be.

    Where there is a `folder`/password, it is kept for the unit as its credential.
    """
    for tool in (SYSTEMD, "unshare", "nsenter", "systemctl"):
        required(tool)
    python = python_for_anybody()
    if os.geteuid():
        (pytest.fail if os.environ.get("PTZD_REQUIRE_TOOLS") == "1" else pytest.skip)("only root may set up namespaces")
    (folder / "ptzd").write_text(PTZD.format(python))
    units = folder / "units"
    units.mkdir()
    shutil.copy(UNIT, units)
    said = folder / "said.log"  # there is no journal here
    (units / f"{UNIT.name}.d").mkdir()
    (units / f"{UNIT.name}.d" / "said.conf").write_text(
        f"[Service]\nStandardOutput=append:{said}\nStandardError=append:{said}\n"
    )
    for target in TARGETS:
        (units / f"{target}.target").write_text(f"[Unit]\nDescription={target}\nDefaultDependencies=no\n")
    log = folder / "systemd.log"
    with log.open("wb") as out:
        outer = subprocess.Popen(
            [*NAMESPACES, "sh", "-c", SETUP, "setup", folder, ROOT, sysconfig.get_path("purelib"), SYSTEMD],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
        )
    try:
        yield _up(outer, log)
    finally:
        for each in psutil.Process(outer.pid).children():
            each.send_signal(signal.SIGKILL)  # the first of a namespace takes all of it along
        outer.wait()


def _up(outer: subprocess.Popen[bytes], log: Path) -> Systemd:
    until = time.monotonic() + START_SECONDS
    while time.monotonic() < until and outer.poll() is None:
        inner = psutil.Process(outer.pid).children()
        if inner and inner[0].name() == "systemd":
            systemd = Systemd(inner[0].pid, log)
            try:
                systemd.ctl("is-active", "basic.target")
            except AssertionError:
                pass
            else:
                return systemd
        time.sleep(0.1)
    raise AssertionError(f"systemd did not start: {log.read_text()}")
