"""The unit as systemd runs it: it is up when it says so, a daemon that hangs is started anew, and no head drives on.

What the words of a unit file do: systemd.service(5), systemd.kill(5), sd_notify(3).
"""

from __future__ import annotations

import asyncio
import random
import signal
import subprocess
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path

import psutil
import pytest
from brokers import required, running_broker, running_mosquitto
from nobody_in_control import BY_HAND_SECONDS, hand_on, under_way
from ptzsim import Habits
from stage import Stage, staged
from under_systemd import UNIT, Systemd, own_systemd

AGAIN_SECONDS = 3.0 + 5.0 + 1.0  # WatchdogSec, TimeoutStopSec for the abort, RestartSec: as the unit has them


@asynccontextmanager
async def installed(folder: Path, login: str) -> AsyncIterator[tuple[Stage, Systemd]]:
    """Two simulated cameras, and the unit started for them; `login` is for its configuration."""
    with running_broker(folder) if not login else broker_with_a_password(folder) as broker:
        async with staged(folder, broker, [Habits()] * 2, rng=random.Random(f"systemd {folder}")) as stage:
            # /var/lib/ptzd is the unit's StateDirectory.
            text = stage.config.read_text().replace('"show.db"', '"/var/lib/ptzd/show.db"')
            stage.config.write_text(text.replace("[broker]\n", f"[broker]\n{login}"))
            with own_systemd(folder) as systemd:
                await asyncio.to_thread(systemd.ctl, "start", UNIT.name)
                yield stage, systemd


@contextmanager
def broker_with_a_password(folder: Path) -> Iterator[int]:
    """A broker that lets in the user ptzd with the password in `folder`/password, and who has no name."""
    (folder / "password").write_text("granary\n")
    passwords = folder / "passwords"
    subprocess.run([required("mosquitto_passwd"), "-b", "-c", passwords, "ptzd", "granary"], check=True)
    passwords.chmod(0o600)
    with running_mosquitto(folder, "allow_anonymous true", f"password_file {passwords}") as broker:
        yield broker.port


def with_unit(folder: Path, scene: Callable[[Stage, Systemd], Awaitable[None]], login: str = "") -> None:
    async def play() -> None:
        async with installed(folder, login) as (stage, systemd):
            assert await asyncio.to_thread(systemd.shows, "ActiveState") == "active"
            await stage.until(lambda: stage.online and all(actor.up for actor in stage.actors), 10)
            await scene(stage, systemd)

    asyncio.run(play())


async def main_of(systemd: Systemd) -> psutil.Process:
    main = await asyncio.to_thread(systemd.main)
    assert main is not None
    return main


def was_driven(stage: Stage, since: float) -> list[float]:
    return [actor.driven_seconds(since) for actor in stage.actors]


@pytest.mark.parametrize("number", [signal.SIGSTOP, signal.SIGKILL])
def test_a_daemon_that_hangs_or_dies_in_a_drive_is_started_anew_and_its_guard_stops_the_heads(
    tmp_path: Path, number: signal.Signals
) -> None:
    async def scene(stage: Stage, systemd: Systemd) -> None:
        main = await main_of(systemd)
        async with hand_on(stage, stage.actors, pan=0.3):
            await under_way(stage, stage.actors, "a drive by hand")
            await asyncio.sleep(0.3)
            at = stage.now
            main.send_signal(number)
        await asyncio.sleep(1.0)
        assert max(was_driven(stage, at)) <= BY_HAND_SECONDS
        stage.online = False
        await stage.until(lambda: stage.online, AGAIN_SECONDS + 10)
        assert (await main_of(systemd)).pid != main.pid
        assert await asyncio.to_thread(systemd.shows, "NRestarts") == "1"
        assert await asyncio.to_thread(systemd.shows, "ActiveState") == "active"
        assert max(was_driven(stage, at)) <= BY_HAND_SECONDS, "and nothing moved it since"

    with_unit(tmp_path, scene)


LOGIN = 'username = "ptzd"\npassword_file = "/run/credentials/ptzd.service/ptzd-password"\n'


def test_a_stop_ends_motion_first_and_leaves_nothing_behind_with_a_password_from_systemd(tmp_path: Path) -> None:
    async def scene(stage: Stage, systemd: Systemd) -> None:
        main = await main_of(systemd)
        processes = [main, *main.children(recursive=True)]
        async with hand_on(stage, stage.actors, pan=0.3):
            await under_way(stage, stage.actors, "a drive by hand")
            at = stage.now
            await asyncio.to_thread(systemd.ctl, "stop", UNIT.name)
        assert stage.now - at < 5.0 + 5.0  # TimeoutStopSec: once for the daemon, once for what follows it
        assert max(was_driven(stage, at)) <= BY_HAND_SECONDS
        assert await asyncio.to_thread(systemd.shows, "Result") == "success"
        assert await asyncio.to_thread(systemd.shows, "ExecMainStatus") == "0"
        await stage.until(lambda: not any(each.is_running() for each in processes), 10)

    with_unit(tmp_path, scene, LOGIN)
