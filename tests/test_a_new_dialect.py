"""A newcomer adds a head as `DEVELOPERS.md` says: one file, no code, and a camera that goes where it is sent.

That its figures hold together is seen in `visca/test_every_dialect.py`, which takes the same file.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from pathlib import Path
from typing import Any

import pytest
from made_up_head import NAME, made_up_head
from ptzevening import Actor, House, open_house
from ptzsim import mount_named, virtual_time
from ptzsim.fleet import CameraPlan

from ptzd.config import load_config
from ptzd.positions import PositionStore, inline
from ptzd.service import calendar, camera_settings
from ptzd.visca import PanTiltAbsolute

CONFIG = f"""
[store]
path = "show.db"
[camera.left]
link = "udp://127.0.0.1:52381"
dialect = "{NAME}.toml"
sensor = [36, 24]
focal_length = [10, 120]
moved_by_others = "report"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made_up_head(tmp_path)
    (tmp_path / "granary.toml").write_text(CONFIG)
    return tmp_path


def in_house(folder: Path, scene: Callable[[House], Coroutine[Any, Any, None]]) -> None:
    settings = camera_settings("left", load_config(folder / "granary.toml").camera["left"])

    async def play() -> None:
        async with open_house({"left": Actor(settings, (), mount_named("tripod"))}, folder, seed=3) as house:
            await scene(house)

    virtual_time.run(play())


async def answer(house: House, topic: str, payload: dict[str, Any]) -> dict[str, Any]:
    """Say something and return how it ended."""
    ended: list[dict[str, Any]] = []

    def heard(_: str, message: dict[str, Any]) -> None:
        final = message.get("phase") in ("settled", "refused", "failed") or "ok" in message
        if message.get("id") == payload["id"] and final:
            ended.append(message)

    house.hear(heard)
    house.say(topic, payload)
    async with asyncio.timeout(60.0):
        while not ended:
            await asyncio.sleep(0.05)
    return ended[0]


def store_a_position(folder: Path) -> None:
    async def scene(house: House) -> None:
        framed = PanTiltAbsolute(9000, -450, 8, 7)  # 100° and -10° at 90 and 45 counts a degree
        house.wires["left"].camera.moved_by_another(framed, asyncio.get_running_loop().time())
        await asyncio.sleep(20.0)
        assert (await answer(house, "camera/left/store", {"position": "organ", "id": "store"}))["ok"]

    in_house(folder, scene)


def recalled(folder: Path, pan_deg: float = 100.0) -> dict[str, Any]:
    """Recall it with all begun anew; return how that ended, and look where the head truly stands."""
    ends: list[dict[str, Any]] = []

    async def scene(house: House) -> None:
        ends.append(await answer(house, "camera/left/recall", {"position": "organ", "id": "recall"}))
        if ends[0]["phase"] == "settled":
            head, now = house.wires["left"].camera.head, asyncio.get_running_loop().time()
            assert head.pan_deg(now) == pytest.approx(pan_deg, abs=2 / 90)
            assert head.tilt_deg(now) == pytest.approx(-10.0, abs=2 / 45)

    in_house(folder, scene)
    return ends[0]


def test_the_lens_of_a_new_head_goes_by_its_own_zoom_ratios(folder: Path) -> None:
    optics = camera_settings("left", load_config(folder / "granary.toml").camera["left"]).optics
    assert optics is not None
    # The file: ×1, ×6 and ×12 of a ×12 zoom; 10 to 120 mm is as much.
    focal_lengths = [optics.lens.focal_length_mm(counts) for counts in (0x0100, 0x2600, 0x3000)]
    assert focal_lengths == pytest.approx([10.0, 60.0, 120.0])


def test_a_position_of_a_new_head_is_stored_and_recalled(folder: Path) -> None:
    store_a_position(folder)
    assert recalled(folder)["phase"] == "settled"


def test_after_its_figures_were_corrected_a_position_is_refused_until_somebody_says_that_it_holds(folder: Path) -> None:
    store_a_position(folder)
    file = folder / f"{NAME}.toml"
    figures = file.read_text()
    file.write_text(figures.replace("counts_per_degree = 90.0", "counts_per_degree = 91.0"))
    refused = recalled(folder)
    assert (refused["phase"], refused["code"]) == ("refused", "other-scales")
    assert "pan 90, tilt 45" in refused["sentence"]
    assert "now pan 91, tilt 45" in refused["sentence"]

    async def accept() -> None:
        async with PositionStore.open(folder / "evening.db", calendar=calendar, run_disk=inline) as store:
            lines = (await store.export()).splitlines()
            text = "\n".join(line for line in lines if not line.startswith("scales"))
            assert (await store.import_(text, replace=True)).replaced == 1

    asyncio.run(accept())
    assert recalled(folder, pan_deg=9000 / 91)["phase"] == "settled"


def test_a_head_from_a_file_of_ones_own_is_simulated_too(folder: Path) -> None:
    plan = CameraPlan("left", "127.0.0.1", 52381, str(folder / f"{NAME}.toml"), "tripod", 0, True, 0.0)
    assert plan.build(now=0.0).dialect.name == NAME
