"""`python -m ptzevening`: play a show against simulated cameras, and print what came of it as one JSON document.

Where it can't be played, the document is `{"error": "…"}`, and the exit code 1.
"""

from __future__ import annotations

import json
import logging
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NoReturn, Self

import click
import structlog
from ptzsim import MOUNTS, mount_named, virtual_time
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn

from ptzd.config import Config, load_config
from ptzd.daemon import camera_settings
from ptzd.files import TextFileError, decoded, read_show_file
from ptzd.motion import HeadFileError
from ptzd.positions import HeadFiles, PositionStore, StoredPosition, inline, read_show
from ptzd.refusal import Refusal
from ptzd.visca import DialectError

from .evening import PLAYING, Evening, play
from .house import Actor

_FILE = click.Path(dir_okay=False, path_type=Path)
_IN_MEMORY = Path("/dev/shm")  # nothing of the evening is kept, so no disk has to be waited for


@click.command(
    "ptzevening",
    epilog="Example: python -m ptzevening configs/choir-evening.toml --config configs/granary.toml "
    "--positions configs/granary-show.toml",
)
@click.argument("show", type=_FILE)
@click.option("--config", type=_FILE, required=True, help="The configuration, for the cameras.")
@click.option("--positions", type=_FILE, help="Exported positions, in place of the configuration's store.")
@click.option("--seed", default=1, show_default=True, help="Which units of their kind the cameras are.")
@click.option("--published", is_flag=True, help="Predict with the heads as they are known, not as first measured.")
@click.option("--rests", is_flag=True, help="Also play the rests, in which nothing moves.")
def main(show: Path, config: Path, positions: Path | None, seed: int, published: bool, rests: bool) -> None:
    """Play SHOW against simulated cameras on a virtual clock, through the daemon as it is."""
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
    try:
        actors = _actors(load_config(config), positions)
        evening = read_show_file(show, {name: [one.name for one in actor.positions] for name, actor in actors.items()})
    except (TextFileError, DialectError, HeadFileError, Refusal, OSError) as error:
        _give_up(error)
    with (
        tempfile.TemporaryDirectory(dir=_IN_MEMORY if _IN_MEMORY.is_dir() else None) as folder,
        Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            console=Console(stderr=True),
            transient=True,
            disable=not sys.stderr.isatty(),
        ) as progress,
    ):
        bar = progress.add_task("waking the cameras", total=1.0)
        began = _Clocks.now()
        playing: _Clocks | None = None
        shown_at = began.real

        def told(doing: str, share: float) -> None:
            nonlocal shown_at, playing
            now = _Clocks.now()
            if doing == PLAYING and playing is None:
                playing = now
            if now.real - shown_at > 0.1:
                shown_at = now.real
                progress.update(bar, description=doing, completed=share)

        try:
            played = virtual_time.run(
                play(
                    evening,
                    actors,
                    Path(folder),
                    seed=seed,
                    learn=not published,
                    skip_rests=not rests,
                    told=told,
                )
            )
        except ValueError as error:
            _give_up(error)
        except TimeoutError:
            _give_up("a simulated camera does not come up, or does not reach the position that it starts from")
    click.echo(json.dumps(_plain(played, playing or began, began)))


def _give_up(why: object) -> NoReturn:
    click.echo(json.dumps({"error": str(why)}))
    sys.exit(1)


def _actors(config: Config, positions: Path | None) -> dict[str, Actor]:
    stored = _from_store(config) if positions is None else _from_file(positions)
    heads = HeadFiles(config.store.path.parent)
    return {
        name: Actor(
            camera_settings(name, camera, heads.path(name)),
            tuple(position for position in stored if position.camera == name),
            mount_named(camera.mount if camera.mount in MOUNTS else "balcony-rail"),  # what the daemon takes it for too
            camera.focus == "auto",
        )
        for name, camera in config.camera.items()
    }


def _from_file(path: Path) -> list[StoredPosition]:
    return read_show(decoded(path.read_bytes()), datetime.now(UTC), lambda camera, name: None, replace=True)


def _from_store(config: Config) -> list[StoredPosition]:
    async def read() -> list[StoredPosition]:
        async with PositionStore.open(config.store.path, calendar=lambda: datetime.now(UTC), run_disk=inline) as store:
            return [one for camera in config.camera for one in store.positions(camera).values()]

    return virtual_time.run(read())


@dataclass(frozen=True, slots=True)
class _Clocks:
    """Real seconds, and those in which this process had a processor: on a busy machine they differ."""

    real: float
    busy: float

    @classmethod
    def now(cls) -> Self:
        return cls(time.perf_counter(), time.process_time())


def _plain(evening: Evening, playing: _Clocks, began: _Clocks) -> dict[str, Any]:
    now = _Clocks.now()
    took = now.real - playing.real
    return {
        "show": evening.rehearsal.show,
        "seconds": evening.seconds,
        "skipped_seconds": evening.skipped_seconds,
        "datagrams": evening.datagrams,
        "took_seconds": {"show": took, "show_on_processor": now.busy - playing.busy, "all": now.real - began.real},
        "times_faster": evening.seconds / took,
        "moves": [asdict(move) | {"difference_seconds": move.difference_seconds} for move in evening.moves],
        "sweeps": [asdict(sweep) for sweep in evening.sweeps],
    }


if __name__ == "__main__":
    main()
