"""An evening is played with what the configuration's store holds, where no exported positions are named."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import structlog
from click.testing import CliRunner
from ptzevening.__main__ import main
from ptzsim import virtual_time

from ptzd.line import Framing
from ptzd.positions import PositionStore, StoredPosition
from ptzd.positions.disk import inline

AFTERNOON = datetime(2031, 5, 24, 15, 0, tzinfo=UTC)
CONFIG = """
[store]
path = "show.db"
[camera.left]
link = "udp://127.0.0.1:52381"
dialect = "nibble4-51"
"""
SHOW = """
[show]
name = "short"
start = { left = "home" }
[[cue]]
number = 1
after = 20
take = "left"
[[cue.move]]
camera = "left"
position = "door"
"""


def test_an_evening_is_played_with_the_positions_of_the_store(tmp_path: Path) -> None:
    async def store() -> None:
        async with PositionStore.open(tmp_path / "show.db", calendar=lambda: AFTERNOON, run_disk=inline) as kept:
            for name, pan_counts in (("home", 0), ("door", 1536)):
                framing = Framing(pan_counts, 0, 0, 0x2000, "manual")
                stored = StoredPosition("left", name, framing, "nibble4-51", None, None, "", AFTERNOON)
                await kept.store(stored, replace=False)

    virtual_time.run(store())
    for name, text in (("ptzd.toml", CONFIG), ("show.toml", SHOW)):
        (tmp_path / name).write_text(text)
    asked = [str(tmp_path / "show.toml"), "--config", str(tmp_path / "ptzd.toml"), "--published"]
    try:
        ended = CliRunner().invoke(main, asked, catch_exceptions=False)
    finally:
        structlog.reset_defaults()  # a process of its own is silent to its end
    assert ended.exit_code == 0, ended.output
    (move,) = json.loads(ended.stdout)["moves"]
    assert (move["position"], move["ended"]) == ("door", "settled")
