"""Positions from a stage plan: figures worked by hand, an export that can be imported, a drawing that is to scale."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from math import atan, cos, degrees, hypot, radians, sqrt, tan
from pathlib import Path
from xml.etree import ElementTree

import pytest
from commands import Ptzd

from ptzd.positions import read_show

CONFIGS = Path(__file__).parents[2] / "configs"
PLAN, CONFIG = CONFIGS / "granary-plan.toml", CONFIGS / "granary.toml"
SVG = "{http://www.w3.org/2000/svg}"


async def test_pan_tilt_and_focal_length_are_those_worked_out_by_hand(ptzd: Ptzd) -> None:
    ended = await ptzd("aim", str(PLAN), "--config", str(CONFIG), "--json")
    assert ended.code == 0
    found = {(one["camera"], one["position"]): one for one in ended.json()["shots"]}
    assert len(found) == 11
    # The gallery's lens is 1.6 m to the left of the soloist, 15.4 m before and 4.2 m up. A medium shot is 1.1 m high
    # and ends 15 cm above a head at 1.75 m, so its middle is 1.35 m above the stage, which is 0.6 m high.
    right, before, down = 1.6, 15.4, 4.2 - (0.6 + 1.75 + 0.15 - 0.55)
    away = sqrt(right**2 + before**2 + down**2)
    soloist = found["gallery", "soloist"]
    assert soloist["pan_deg"] == pytest.approx(degrees(atan(right / before)), abs=0.001)
    assert soloist["tilt_deg"] == pytest.approx(-degrees(atan(down / hypot(right, before))), abs=0.001)
    assert soloist["distance_m"] == pytest.approx(away, abs=0.001)
    assert soloist["needed_mm"] == pytest.approx(35.9 * 9 / 16 * away / 1.1, abs=0.01)  # 16:9 of 35.9 mm
    assert soloist["view_width_deg"] == pytest.approx(
        degrees(2 * atan(35.9 / 2 / soloist["focal_length_mm"])), abs=0.01
    )
    # f/6.3 on the gallery and 0.03 mm: H = f²/(N·c) + f, near = s(H - f)/(H + s - 2f), far = s(H - f)/(H - s)
    f, s = soloist["focal_length_mm"] / 1000, away
    h = f * f / (6.3 * 0.00003) + f
    assert soloist["sharp_from_m"] == pytest.approx(s * (h - f) / (h + s - 2 * f), abs=0.01)
    assert soloist["sharp_to_m"] == pytest.approx(s * (h - f) / (h - s), abs=0.01)


async def test_what_is_written_is_read_back_as_provisional_positions(ptzd: Ptzd, tmp_path: Path) -> None:
    file = tmp_path / "aimed.toml"
    ended = await ptzd("aim", str(PLAN), "--config", str(CONFIG), "--write", str(file))
    assert ended.code == 0
    assert "not reckoned" in ended.out
    stored = read_show(file.read_text(), datetime.now(UTC), lambda camera, name: None, replace=False)
    assert len(stored) == 11
    assert all(one.provisional for one in stored)
    [soloist] = [one for one in stored if (one.camera, one.name) == ("gallery", "soloist")]
    assert soloist.framing.pan_counts == round(degrees(atan(1.6 / 15.4)) * 51.2)
    check = await ptzd("check", "--config", str(CONFIG), "--positions", str(file), "--json")
    said = {one["subject"]: one["sentence"] for one in check.json()["findings"] if "provisional" in one["sentence"]}
    assert set(said) == {"camera left", "camera right", "camera gallery"}
    assert "so provisional: basses, choir-wide, conductor, soloist; frame two" in said["camera left"]


async def test_what_head_or_lens_cannot_do_is_told_and_a_head_s_end_keeps_it_from_being_written(
    ptzd: Ptzd, tmp_path: Path
) -> None:
    plan, file = tmp_path / "plan.toml", tmp_path / "aimed.toml"
    text = PLAN.read_text().replace("place_m = [0.0, -14.0, 4.2]", "place_m = [0.0, -14.0, 4.2]\nfacing_deg = 100.0")
    plan.write_text(text.replace('size = "full"\n', 'size = "close"\n').replace("aperture = 5.6", ""))
    ended = await ptzd("aim", str(plan), "--config", str(CONFIG), "--write", str(file))
    assert ended.code == 1
    assert "Camera gallery, choir-wide: pan -100.0° is outside this camera's window" in ended.err
    assert "Camera left, soloist: " in ended.err and "and the lens ends at 135 mm" in ended.err
    assert "[positions.gallery" not in file.read_text()
    assert "[positions.left.soloist]" in file.read_text()


@pytest.mark.parametrize(
    "wrong, instead, told",
    [
        ("[camera.gallery]", "[camera.galery]", "there is no camera gallery in the plan; did you mean galery?"),
        ('camera = "gallery"', 'camera = "gallery"\ntake = 1', "there is no setting 'take'"),
        ("place_m = [1.6, 1.4]\nfloor_m = 0.6\n", "place_m = [0, -14.0]\nfloor_m = 2.85\n", "mark soloist lies where"),
    ],
)
async def test_a_plan_with_mistakes_is_misuse_in_a_sentence(
    ptzd: Ptzd, tmp_path: Path, wrong: str, instead: str, told: str
) -> None:
    plan = tmp_path / "plan.toml"
    plan.write_text(PLAN.read_text().replace(wrong, instead))
    ended = await ptzd("aim", str(plan), "--config", str(CONFIG))
    assert (ended.code, ended.out) == (2, "")
    assert told in ended.err
    assert "error of its own" not in ended.err


async def test_the_drawing_has_all_to_scale_and_covers_no_number_with_another(ptzd: Ptzd, tmp_path: Path) -> None:
    file = tmp_path / "plan.svg"
    ended = await ptzd("aim", str(PLAN), "--config", str(CONFIG), "--drawing", str(file), "--json")
    by_camera = ("left", "right", "gallery")  # as the plan has them
    shots = sorted(json.loads(ended.out)["shots"], key=lambda shot: by_camera.index(shot["camera"]))
    svg = ElementTree.fromstring(file.read_text())
    words = [text.text for text in svg.iter(f"{SVG}text")]
    for said in (
        "left, 1.7 m up",
        "gallery, 4.2 m up",
        "soloist",
        "piano",
        "Who stands in front of whom is not reckoned.",
    ):
        assert said in words
    marks = [
        (float(one.get("cx", "")), float(one.get("cy", "")))
        for one in svg.iter(f"{SVG}circle")
        if one.get("r") == "4.5"
    ]
    # as in the plan: choir, sopranos, basses, soloist, conductor, piano
    assert len(marks) == 6
    scale = (marks[4][1] - marks[0][1]) / (4.1 - 0.95)
    assert (marks[3][0] - marks[5][0]) / scale == pytest.approx(1.6 + 4.7, rel=0.01)
    bars = [one for one in svg.iter(f"{SVG}line") if one.get("stroke-width") == "3"]
    for bar, shot in zip(bars, shots, strict=True):
        x1, y1, x2, y2 = (float(bar.get(key, "")) for key in ("x1", "y1", "x2", "y2"))
        away = shot["distance_m"] * cos(radians(shot["tilt_deg"]))  # on the plan
        width = 2 * away * tan(radians(shot["view_width_deg"] / 2))
        assert hypot(x2 - x1, y2 - y1) / scale == pytest.approx(width, rel=0.02), shot
    discs = [
        (float(one.get("cx", "")), float(one.get("cy", "")))
        for one in svg.iter(f"{SVG}circle")
        if one.get("r") == "9.5"
    ]
    assert len(discs) == 22, "on its wedge, and in the list"
    apart = [hypot(a[0] - b[0], a[1] - b[1]) for i, a in enumerate(discs) for b in discs[:i]]
    assert min(apart) > 19
