"""`ptzsim`: simulated cameras on their own, for whoever wants something to point a controller at."""

from __future__ import annotations

import asyncio
import os
import random
import signal
import sys
import tempfile
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Literal, NoReturn

import click

from ptzd.visca import dialect_names

from .camera import SimulatedCamera
from .fleet import CameraPlan, FleetError, parse_listen, read_fleet
from .mount import MOUNTS
from .orders import do
from .picture_login import Login
from .serial_line import serve_serial
from .serving import serve_tcp, serve_udp
from .stage import Stage

MOST_IN_A_CHAIN = 7


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run, and exit with 0, 1 (it failed) or 2 (used wrongly), having said in one sentence why."""
    try:
        sys.exit(simulate.main(arguments, prog_name="ptzsim", standalone_mode=False))
    except click.ClickException as error:
        click.echo(f"ptzsim: {error.format_message()}", err=True)
        sys.exit(error.exit_code)
    except click.Abort:
        sys.exit(1)


@click.command(
    epilog="Example: ptzsim --listen 127.0.0.1:52381 --dialect nibble4-51 --cameras 3 --ready",
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.option(
    "--listen", metavar="HOST:PORT", help="Where the first camera listens, on this machine; or a serial PATH."
)
@click.option(
    "--link",
    type=click.Choice(("udp", "bare-udp", "tcp", "serial")),
    default="udp",
    show_default=True,
    help="VISCA over IP, or bare messages; on serial up to seven in a chain behind one pseudo-terminal.",
)
@click.option("--dialect", metavar="NAME", help=f"The family of heads: {', '.join(dialect_names())}; or a .toml file.")
@click.option(
    "--cameras",
    type=click.IntRange(1, 1000),
    metavar="N",
    default=1,
    show_default=True,
    help="How many, on ports one after another.",
)
@click.option(
    "--seed",
    type=click.IntRange(0),
    metavar="N",
    default=0,
    show_default=True,
    help="Which units of the kind: the same number brings the same cameras.",
)
@click.option(
    "--mount",
    type=click.Choice(list(MOUNTS)),
    metavar="NAME",
    default="tripod",
    show_default=True,
    help=f"What they stand or hang on: {', '.join(MOUNTS)}.",
)
@click.option("--ready", is_flag=True, help="Skip the 25 seconds of start-up.")
@click.option(
    "--loss",
    type=click.FloatRange(0.0, 0.9),
    metavar="SHARE",
    default=0.0,
    help="Share of the datagrams that is lost, each way; none by default.",
)
@click.option(
    "--doubled",
    type=click.FloatRange(0.0, 0.9),
    metavar="SHARE",
    default=0.0,
    help="Share of the others that arrives twice; none by default.",
)
@click.option(
    "--habits",
    type=click.IntRange(0),
    metavar="SEED",
    help="Let them differ in what the protocol leaves open: the same number brings the same cameras.",
)
@click.option(
    "--pictures",
    type=click.IntRange(1, 65535),
    metavar="PORT",
    help="Serve what they see, too: http://127.0.0.1:PORT/NAME.jpg.",
)
@click.option(
    "--picture-login", metavar="KIND:NAME:PASSWORD", help="Ask for a login before a picture is shown: basic or digest."
)
@click.option(
    "--lenses",
    metavar="MM-MM,…",
    default="100-400",
    show_default=True,
    help="What pictures are seen through, camera by camera; the last is that of all others.",
)
@click.option(
    "--cameras-file",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="A TOML file of cameras instead, each with its own dialect.",
)
def simulate(
    listen: str | None,
    link: Literal["udp", "bare-udp", "tcp", "serial"],
    dialect: str | None,
    cameras: int,
    seed: int,
    mount: str,
    ready: bool,
    loss: float,
    doubled: float,
    habits: int | None,
    cameras_file: Path | None,
    pictures: int | None,
    picture_login: str | None,
    lenses: str,
) -> None:
    """Simulate cameras that speak VISCA on this machine, until Ctrl-C.

    Each has a head with its own speeds, swing and play. Prints a line for each camera as it begins to listen.

    \b
    While it runs, a line that is typed or piped into it does something to a
    camera, or to `all`:
      camera-2 standby        switched off, as by its remote control
      camera-2 on             switched on: it sweeps its range, as after each start
      camera-2 power-cut      without power for a moment: it starts up anew
      camera-2 lose-position  it says that it does not know where it stands
      camera-2 find-position  it knows again
      camera-2 silent 10      for 10 seconds it neither hears nor answers
      camera-2 unplugged 10   its cable is out; on serial that of the whole chain
      camera-2 refuse-stops 10
      camera-2 ignore-stops 10
      camera-2 knocked 0.3       by degrees to the right, which only its picture tells; or
                                 to the right, up and clockwise: knocked 2 -0.5 1
      camera-2 zoom-slipped 1.2  by per cent, likewise
    """
    serial = None if link != "serial" else Path(listen or Path(tempfile.gettempdir()) / f"ptzsim-{os.getpid()}")
    if serial is not None:
        if cameras > MOST_IN_A_CHAIN or cameras_file is not None:
            raise click.UsageError(f"a serial chain has --cameras 1 to {MOST_IN_A_CHAIN}, and no --cameras-file")
        listen = "127.0.0.1:1"
    if (cameras_file is None) == (listen is None):
        raise click.UsageError("say either where to listen with --listen, or which cameras with --cameras-file")
    try:
        if cameras_file is not None:
            plans = read_fleet(cameras_file)
        else:
            if dialect is None:
                raise click.UsageError(f"say which family of heads with --dialect: {', '.join(dialect_names())}")
            host, port = _first_address(str(listen), cameras)
            spoken = "udp" if link == "serial" else link
            first = CameraPlan("", host, port, dialect, mount, seed, ready, loss, doubled, habits, spoken)
            plans = [
                replace(
                    first,
                    name=f"camera-{index + 1}",
                    port=port + index,
                    seed=seed + index,
                    habits=None if habits is None else habits + index,
                )
                for index in range(cameras)
            ]
        asyncio.run(_serve(plans, seed, pictures, picture_login, lenses, serial))
    except FleetError as error:
        raise click.UsageError(str(error)) from None


def _first_address(listen: str, cameras: int) -> tuple[str, int]:
    try:
        host, port = parse_listen(listen)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--listen") from None
    if port + cameras > 65536:
        raise click.UsageError(f"{cameras} cameras from port {port} on would need ports beyond 65535: start lower")
    return host, port


async def _serve(
    plans: list[CameraPlan],
    seed: int,
    pictures: int | None,
    picture_login: str | None,
    lenses: str,
    serial: Path | None,
) -> None:
    loop = asyncio.get_running_loop()
    told_to_end = asyncio.Event()
    for each in (signal.SIGINT, signal.SIGTERM):
        loop.add_signal_handler(each, told_to_end.set)
    rng = random.Random(seed)
    cameras: dict[str, SimulatedCamera] = {}
    async with AsyncExitStack() as listening:
        for plan in plans:
            camera = cameras[plan.name] = plan.build(loop.time())
            if serial is None:
                await _listen(camera, plan, listening, rng)
        if serial is not None:
            try:
                await listening.enter_async_context(
                    serve_serial(list(cameras.values()), serial, wiring=plans[0].wiring, rng=rng)
                )
            except OSError as error:
                raise click.ClickException(f"{serial} can't be a device ({error.strerror}): choose another") from None
        if pictures is not None:
            await listening.enter_async_context(_pictures(cameras, pictures, picture_login, lenses, seed))
        for plan in plans:
            where = f"{plan.host}:{plan.port}" if plan.link == "udp" else f"{plan.link}://{plan.host}:{plan.port}"
            if serial is not None:
                where = f"serial:{serial}?address={plans.index(plan) + 1}"
            click.echo(f"{plan.name} listens on {where} ({plan.dialect}, {plan.mount})")
        with _hearing(cameras):
            await told_to_end.wait()


async def _listen(camera: SimulatedCamera, plan: CameraPlan, listening: AsyncExitStack, rng: random.Random) -> None:
    try:
        if plan.link == "tcp":
            await listening.enter_async_context(serve_tcp(camera, plan.host, plan.port, wiring=plan.wiring, rng=rng))
        else:
            bare = plan.link == "bare-udp"
            await listening.enter_async_context(
                serve_udp(camera, plan.host, plan.port, loss=plan.loss, doubled=plan.doubled, bare=bare, rng=rng)
            )
    except OSError as error:
        raise click.ClickException(
            f"{plan.name} can't listen on {plan.host}:{plan.port} ({error.strerror}): choose another port"
        ) from None


@asynccontextmanager
async def _pictures(
    cameras: Mapping[str, SimulatedCamera], port: int, login: str | None, lenses: str, seed: int
) -> AsyncIterator[None]:
    from .picture import Glass
    from .picture_server import serve_pictures  # whoever wants no pictures need not wait for what draws them

    try:
        parsed = None if login is None else Login.parse(login)
    except ValueError as error:
        raise click.BadParameter(str(error), param_hint="--picture-login") from None
    try:
        glasses = [Glass.parse(each) for each in lenses.split(",")]
    except ValueError:
        raise click.BadParameter(f"{lenses} must be as 28-135,100-400, in mm", param_hint="--lenses") from None
    try:
        stage, rng = Stage(seed), random.Random(seed)
        async with serve_pictures(cameras, "127.0.0.1", port, stage=stage, login=parsed, rng=rng, glasses=glasses):
            for name in cameras:
                click.echo(f"{name} is to be seen at http://127.0.0.1:{port}/{name}.jpg")
            yield
    except OSError as error:
        raise click.ClickException(
            f"no pictures can be served on 127.0.0.1:{port} ({error.strerror}): choose another port"
        ) from None


@contextmanager
def _hearing(cameras: Mapping[str, SimulatedCamera]) -> Iterator[None]:
    """Do what the lines on the standard input say, where there is one that can be waited for."""
    loop = asyncio.get_running_loop()
    signal.signal(signal.SIGTTIN, signal.SIG_IGN)  # in a shell's background nobody types for it: it must not be halted
    heard = b""

    def hear() -> None:
        nonlocal heard
        try:
            read = os.read(sys.stdin.fileno(), 4096)
        except OSError:
            read = b""
        if not read:
            loop.remove_reader(sys.stdin)
        *lines, heard = (heard + read).split(b"\n")
        for line in lines:
            if line.strip():
                _obey(line.decode(errors="replace"), cameras, loop.time())

    try:
        loop.add_reader(sys.stdin, hear)
    except (OSError, ValueError):  # a file, or none at all
        yield
        return
    try:
        yield
    finally:
        loop.remove_reader(sys.stdin)


def _obey(line: str, cameras: Mapping[str, SimulatedCamera], now: float) -> None:
    try:
        for sentence in do(line, cameras, now):
            click.echo(sentence)
    except ValueError as wrong:
        click.echo(f"ptzsim: {wrong}", err=True)
