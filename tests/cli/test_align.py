"""Bringing positions back from the command line: with a daemon and a simulated camera, and with one that stands in."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from commands import Ptzd, StandInFor, StartPtzd, until_up
from drawn_knocks import Knock

SHOTS = {"choir-wide": (-20.0, -5.0), "soloist": (25.0, 4.0), "piano": (5.0, 15.0)}
KNOCK = Knock(2.0, -1.0, 3.0)
COUNTS = {"pan_counts": 100, "tilt_counts": 50, "zoom_counts": 7}
SIGHTING = {"position": "choir-wide", **COUNTS, "pan_deg": -1.9, "tilt_deg": 0.4, "as_wide": True}
MATCH = {
    "camera": "gallery", "position": "choir-wide", **COUNTS, "as_wide": True,
    "right": 0.05, "up": -0.02, "larger": 0.012, "roll_deg": 0.1, "sure": 0.8,
}  # fmt: skip


@pytest.fixture
def config(config: Path) -> Path:
    config.write_text(config.read_text() + "sensor = [35.9, 24.0]\nfocal_length = [100, 400]\n")
    return config


async def test_a_knocked_camera_is_brought_back_with_a_few_commands_and_put_back_with_one(
    ptzd: Ptzd, start_ptzd: StartPtzd, broker: str, config: Path, tmp_path: Path
) -> None:
    daemon = await start_ptzd("run", "--config", str(config))
    await until_up(broker, daemon)

    async def run(*arguments: str, stdin: str = "", code: int = 0) -> Any:
        ended = await ptzd(*arguments, "--broker", broker, stdin=stdin)
        assert ended.code == code, (arguments, ended)
        return ended

    async def stored() -> dict[str, tuple[int, int]]:
        found = (await run("positions", "gallery", "--json")).json()["gallery"]
        return {each["name"]: (each["pan_counts"], each["tilt_counts"]) for each in found}

    show = tmp_path / "show.toml"
    show.write_text(
        "".join(
            f"[positions.gallery.{name}]\npan_counts = {round(pan * 51.2)}\ntilt_counts = {round(tilt * 51.2)}\n"
            'zoom_counts = 0\nfocus_counts = 8192\nfocus_mode = "auto"\ndialect = "nibble4-51"\nprovisional = true\n'
            for name, (pan, tilt) in SHOTS.items()
        )
    )
    await run("positions", "import", str(show))
    before = await stored()
    assert (await run("positions", "gallery")).out.count("provisional") == 3
    for name in ("choir-wide", "soloist"):
        pan, tilt = KNOCK.now(SHOTS[name])
        await run("recall", "gallery", name)
        by = ("--pan-deg", f"{pan - SHOTS[name][0]:.3f}", "--tilt-deg", f"{tilt - SHOTS[name][1]:.3f}")
        await run("nudge", "gallery", *by)
        seen = await run("align", "gallery", "--seen", name)
        assert f"{name} is seen {pan - SHOTS[name][0]:+.1f}" in seen.out
    shown = await run("align", "gallery", stdin="n\n", code=1)
    turned = re.search(r"turned ([\d.]+)° to the right, ([\d.]+)° down, and rolled ([\d.]+)° clockwise", shown.out)
    assert turned is not None and [*map(float, turned.groups())] == pytest.approx([2.0, 1.0, 3.0], abs=0.06)
    assert "Write 3 positions?" in shown.err and shown.err.endswith("Left undone, since the answer was no.\n")
    assert await stored() == before, "who does not say yes writes nothing"
    written = await run("align", "gallery", "--yes")
    assert "Corrected: 3 positions of camera gallery" in written.out
    after = await stored()
    true = KNOCK.now(SHOTS["piano"])
    assert after["piano"] == pytest.approx((true[0] * 51.2, true[1] * 51.2), abs=2.0)
    assert "provisional" not in (await run("positions", "gallery")).out
    undone = await run("align", "gallery", "--undo")
    assert undone.out == "Of camera gallery are again what they were: choir-wide, piano, soloist.\n"
    assert await stored() == before
    refused = await run("align", "gallery", code=1)
    assert refused.err.startswith("Camera gallery has no sightings; bring it to what a stored position showed")


def aligned(*left_alone: str, fits: bool = True) -> dict[str, Any]:
    position = {
        "position": "soloist", "before": COUNTS, "after": {**COUNTS, "pan_counts": 200}, "was_off_px": 123.4,
        "expected_px": 1.23, "expected_deg": 0.02, "leans_deg": 0.6, "note": None,
    }  # fmt: skip
    nothing = dict.fromkeys(("after", "was_off_px", "expected_px", "expected_deg", "leans_deg"))
    positions = [position, *({**position, **nothing, "position": "organ", "note": note} for note in left_alone)]
    return {
        "camera": "gallery", "applied": False, "turned": None, "offset": None, "slipped_counts": -300.0,
        "sentence": "the head is turned", "positions": positions,
        "sightings": [{**SIGHTING, "off_deg": 0.01, "allowed_deg": 0.2, "larger": None, "fits": fits}],
    }  # fmt: skip


async def test_the_table_tells_old_new_and_what_is_to_be_expected(
    ptzd: Ptzd, broker: str, stand_in: StandInFor
) -> None:
    answer = [("outcome", {"ok": True, "result": aligned("pan 200.0° is out of reach")})]
    async with stand_in(broker, {"camera/gallery/align": answer}) as daemon:
        ended = await ptzd("align", "gallery", "--leave", "piano", "--yes", "--broker", broker)
    assert ended.code == 0
    assert ended.err == "organ is left alone: pan 200.0° is out of reach.\n"
    assert "Corrected: 1 position of camera gallery" in ended.out
    for said in (
        "left alone",
        "100 → 200",
        "123.4 px",
        "1.2 px",
        "Pictures lean by up to 0.6°",
        "Focal lengths are told",
    ):
        assert said in ended.out
    assert [(asked.get("apply"), asked["leave"]) for _, asked in daemon.asked] == [(None, ["piano"]), (True, ["piano"])]


async def test_what_does_not_fit_is_never_written(ptzd: Ptzd, broker: str, stand_in: StandInFor) -> None:
    answer = [("outcome", {"ok": True, "result": aligned(fits=False)})]
    async with stand_in(broker, {"camera/gallery/align": answer}) as daemon:
        ended = await ptzd("align", "gallery", "--yes", "--broker", broker)
    assert ended.code == 1
    assert ended.err == "Nothing is written: the head is turned.\n"
    assert "does not fit" in ended.out and "100" not in ended.out, "what they would make of positions is not shown"
    assert len(daemon.asked) == 1


@pytest.mark.parametrize("answer, taken", [("y\n", True), ("n\n", False)])
async def test_what_a_still_proposes_is_taken_only_when_somebody_says_so(
    ptzd: Ptzd, broker: str, stand_in: StandInFor, answer: str, taken: bool
) -> None:
    answers = {
        "camera/gallery/match": [("outcome", {"ok": True, "result": MATCH})],
        "camera/gallery/sight": [("outcome", {"ok": True, "result": {"camera": "gallery", "sightings": [SIGHTING]}})],
    }
    async with stand_in(broker, answers) as daemon:
        ended = await ptzd("align", "gallery", "--match", "choir-wide", "--broker", broker, stdin=answer)
    assert "choir-wide is seen 96 px right, 22 px down, 1.2 % tighter (of 1920 × 1080)" in ended.err
    sights = [asked for topic, asked in daemon.asked if topic.endswith("sight")]
    assert (len(sights), ended.code) == ((1, 0) if taken else (0, 1))
    if taken:
        assert {key: sights[0][key] for key in COUNTS} == COUNTS
        assert sights[0]["as_wide"] is True
        assert "choir-wide is seen -1.90° of pan, +0.40° of tilt off, its picture as wide as it was." in ended.out


@pytest.mark.parametrize(
    "options, told",
    [
        (("--seen", "a", "--undo"), "Say one of --seen"),
        (("--as-wide",), "name it with --seen"),
        (("--forget", "a", "--forget-all"), "Say one of"),
    ],
)
async def test_what_goes_together_is_told(ptzd: Ptzd, options: tuple[str, ...], told: str) -> None:
    ended = await ptzd("align", "gallery", *options, "--broker", "127.0.0.1:1")
    assert ended.code == 2
    assert told in ended.err
