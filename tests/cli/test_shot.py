"""`ptzd shot` answers what published tables, handbooks and common practice answer.

Angles of view are 2·atan(s / 2f) and pictures s·D/f, any handbook. A 16:9 picture (ITU-R BT.709) takes 36 × 20.25 mm of
a full frame of 36 × 24 mm.
Panning: RED 101, "Panning speed best practices": 7 s at 24 frames/s; 2.9°/s at 100 mm, 0.74°/s at 400 mm.
[B] SRG-300H technical manual, "Execution command list (4/4)": 51.2 counts per degree.
[D] TLC-700-S user manual, "VISCA pan tilt absolute position value" and "speed value": 14.4 counts per degree; pan
steps 1, 6 and 7 are 1, 2.8 and 3.0°/s.
[I] Ceiling DocCam II technical manual, "Zoom ratio and zoom position (for reference)": a ×25 lens.
Heights of shots: common practice.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from ptzd.cli.main import cli
from ptzd.cli.output import speak_for
from ptzd.motion import LearnedHead, Measured, SlowMode, published_head, write_head
from ptzd.visca import load_dialect

Run = Callable[..., tuple[int, str, str]]
FULL_FRAME = ("--sensor", "36x24")
CONFIG = """
[store]
path = "show.db"
[camera.gallery]
link = "udp://127.0.0.1:52381"
dialect = "nibble4-14"
sensor = [36.0, 24.0]
focal_length = [100, 400]
frame_rate = 24
[camera.left]
link = "udp://127.0.0.1:52382"
dialect = "nibble4-51"
sensor = [36.0, 24.0]
focal_length = [[0, 28], [8192, 60], [16384, 135]]
[camera.right]
link = "udp://127.0.0.1:52383"
dialect = "nibble4-51"
"""


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Run:
    def run(*arguments: str) -> tuple[int, str, str]:
        code = speak_for(cli, ["shot", *arguments])
        out, err = capsys.readouterr()
        return code, out, err

    return run


@pytest.fixture
def figures(run: Run) -> Callable[..., dict[str, Any]]:
    def figures(*arguments: str) -> dict[str, Any]:
        code, out, err = run(*arguments, "--json")
        assert (code, err) == (0, "")
        framings = json.loads(out)["framings"]
        assert len(framings) == 1
        return dict(framings[0])

    return figures


@pytest.fixture
def config(tmp_path: Path) -> str:
    path = tmp_path / "granary.toml"
    path.write_text(CONFIG)
    return str(path)


@pytest.mark.parametrize(
    ("focal_length", "wide_deg", "high_deg", "across_deg"),
    # The handbooks' formula, for 36, 20.25 and 41.30 mm.
    [("100", 20.41, 11.56, 23.34), ("400", 5.15, 2.90, 5.91)],
)
def test_the_angles_of_view_are_the_published_ones(
    figures: Callable[..., dict[str, Any]],
    focal_length: str,
    wide_deg: float,
    high_deg: float,
    across_deg: float,
) -> None:
    wide, high, across = figures(*FULL_FRAME, "--focal-length", focal_length)["angle_of_view_deg"]
    assert wide == pytest.approx(wide_deg, abs=0.005)
    assert high == pytest.approx(high_deg, abs=0.005)
    assert across == pytest.approx(across_deg, abs=0.005)


def test_at_30_m_a_400_mm_lens_sees_2_m_70(run: Run, figures: Callable[..., dict[str, Any]]) -> None:
    # s·D/f, handbook.
    question = (*FULL_FRAME, "--focal-length", "400", "--distance", "30")
    assert figures(*question)["picture_m"] == pytest.approx([2.70, 1.52], abs=0.005)
    assert "2.70 × 1.52 m" in run(*question)[1]


@pytest.mark.parametrize(("dialect", "pixels", "rounding"), [("nibble4-51", 14.6, 0.05), ("nibble4-14", 52, 0.5)])
def test_one_count_at_400_mm_is_many_of_3840_pixels(
    figures: Callable[..., dict[str, Any]], dialect: str, pixels: float, rounding: float
) -> None:
    # [B], [D].
    framing = figures(*FULL_FRAME, "--focal-length", "400", "--dialect", dialect, "--picture-width", "3840")
    assert framing["pixels_per_count"][0] == pytest.approx(pixels, abs=rounding)
    half = figures(*FULL_FRAME, "--focal-length", "400", "--dialect", dialect, "--picture-width", "1920")
    assert half["pixels_per_count"][0] == pytest.approx(framing["pixels_per_count"][0] / 2)


@pytest.mark.parametrize(("shot", "height_m"), [("full", 2.0), ("medium", 1.1), ("medium-close", 0.75), ("close", 0.5)])
def test_a_shot_is_as_high_as_its_name_says(figures: Callable[..., dict[str, Any]], shot: str, height_m: float) -> None:
    # Common practice.
    framing = figures(*FULL_FRAME, "--distance", "6", "--shot", shot)
    assert framing["needed_mm"] == pytest.approx(20.25 * 6.0 / height_m)
    assert framing["picture_m"][1] == pytest.approx(height_m)


def test_a_medium_shot_from_28_m_is_too_far_for_a_400_mm_lens_and_it_says_what_would_do(run: Run) -> None:
    # 35.9 × 9 / 16 = 20.19 mm; × 28 m / 1.1 m = 514.0 mm; at 400 mm the picture is 1.1 m high from 21.79 m.
    code, out, _ = run("--sensor", "35.9x24", "--lens", "100-400", "--distance", "28", "--shot", "medium")
    assert code == 0
    assert "400 mm (514 needed)" in out
    assert "stand 21.8 m away, or take a ×1.29 extender" in out


def test_a_shot_too_wide_for_the_lens_is_said_too(run: Run) -> None:
    # 36 mm × 20 m / 12 m = 60 mm; at 100 mm the picture is 12 m wide from 33.3 m.
    out = run(*FULL_FRAME, "--lens", "100-400", "--distance", "20", "--width", "12")[1]
    assert "60 mm would be needed; this lens begins at 100 mm" in out
    assert "stand 33.3 m away" in out


def test_a_shot_within_the_lens_can_be_done(figures: Callable[..., dict[str, Any]]) -> None:
    # 20.25 mm × 12 m / 1.1 m = 220.9 mm.
    framing = figures(*FULL_FRAME, "--lens", "100-400", "--distance", "12", "--shot", "medium")
    assert framing["fits"] is True
    assert framing["focal_length_mm"] == pytest.approx(220.9, abs=0.05)


@pytest.mark.parametrize(("focal_length", "counts"), [("4", 0), ("40", 0x362C), ("80", 0x3DF8), ("100", 0x4000)])
def test_a_times_25_lens_zooms_to_the_published_positions(
    figures: Callable[..., dict[str, Any]], focal_length: str, counts: int
) -> None:
    # [I]: ×1, ×10, ×20, ×25.
    framing = figures(
        "--sensor", "4.8x2.7", "--lens", "4-100", "--focal-length", focal_length, "--dialect", "nibble4-51"
    )
    assert framing["zoom_counts"] == counts


def test_on_a_long_lens_no_step_can_be_watched_and_it_says_so(run: Run, config: str) -> None:
    # RED 101: 0.74°/s; [D]: step 1 is 1°/s.
    code, out, _ = run("--config", config, "gallery", "--focal-length", "400")
    assert code == 0
    assert "0.74°/s, no step" in out
    assert "even the slowest step, 1°/s, is too fast to watch" in out


def test_a_slow_mode_that_was_learned_counts_and_one_that_was_not_is_named(run: Run, tmp_path: Path) -> None:
    # RED 101: 0.74°/s; the steps 1 and 2 of this head are assumed to be 1 and 1.5°/s, at 0.45 of that 0.45 and 0.675.
    config = tmp_path / "granary.toml"
    config.write_text(CONFIG.replace('"nibble4-14"', '"shared4-51"').replace("show.db", f"{tmp_path}/show.db"))
    question = ("--config", str(config), "gallery", "--focal-length", "400")
    code, out, _ = run(*question)
    assert code == 0
    assert "0.74°/s, no step" in out
    assert "`ptzd learn` finds out" in out
    (tmp_path / "gallery.head.toml").write_text(write_head(learned_with_slow_mode(0.45)))
    code, out, _ = run(*question)
    assert code == 0
    assert "0.74°/s, step 2 in slow mode" in out
    assert "`ptzd learn`" not in out
    framing = json.loads(run(*question, "--json")[1])["framings"][0]
    assert (framing["fastest_watchable_step"], framing["in_slow_mode"]) == (2, True)


def learned_with_slow_mode(share: float) -> LearnedHead:
    dialect = load_dialect("shared4-51")
    head = published_head(dialect.pan.steps_deg_per_s, dialect.tilt.steps_deg_per_s, shared_speed=True)
    pan, tilt = (
        replace(axis, steps_deg_per_s=tuple(share * speed for speed in axis.steps_deg_per_s))
        for axis in (head.pan, head.tilt)
    )
    pan_spreads, tilt_spreads = (0.01,) * 24, (0.01,) * 23
    measured = Measured(
        *(pan_spreads, 0.1, tilt_spreads, 0.1, 0.1, (0.1,) * 8, 0.1, 0.1, 0.1, 0.1),
        slow_pan_steps=pan_spreads,
        slow_tilt_steps=tilt_spreads,
    )
    model = replace(head, slow=SlowMode(pan, tilt, 0.01), origin="learned")
    return LearnedHead(model, measured, dialect.name, datetime(2026, 6, 20, tzinfo=UTC))


def test_at_100_mm_the_fastest_pan_to_watch_is_step_6(figures: Callable[..., dict[str, Any]], config: str) -> None:
    # RED 101: 2.9°/s; [D]: steps 6 and 7 are 2.8 and 3.0°/s.
    framing = figures("--config", config, "gallery", "--focal-length", "100")
    assert framing["panning_limit_deg_per_s"] == pytest.approx(2.9, abs=0.05)
    assert framing["fastest_watchable_step"] == 6


def test_twice_the_frame_rate_allows_twice_the_pan(figures: Callable[..., dict[str, Any]], config: str) -> None:
    # RED 101.
    framing = figures("--config", config, "gallery", "--focal-length", "400", "--frame-rate", "48")
    assert framing["panning_limit_deg_per_s"] == pytest.approx(1.47, abs=0.01)
    assert framing["fastest_watchable_step"] == 1


def test_a_table_in_the_configuration_is_met_and_is_no_estimate(run: Run, config: str) -> None:
    code, out, _ = run("--config", config, "left", "--focal-length", "60", "--json")
    told = json.loads(out)
    assert (code, told["framings"][0]["zoom_counts"]) == (0, 8192)
    assert not [note for note in told["notes"] if "zoom" in note]
    assert [note for note in told["notes"] if "speeds" in note]  # none are published for nibble4-51


def test_the_focus_for_a_distance_goes_by_the_heads_table_and_says_what_that_is_worth(
    run: Run, figures: Callable[..., dict[str, Any]]
) -> None:
    # [J] FCB-EX1010 technical manual, "Lens control": 5 m is 4000.
    question = (*FULL_FRAME, "--lens", "100-400", "--distance", "5", "--shot", "medium", "--dialect", "nibble4-51")
    assert figures(*question)["focus_counts"] == 0x4000
    out = run(*question)[1]
    assert "the focus stands near 16384; the counts are assumed, as none are published for this head" in out
    assert "focus stands" not in run(*question[:-2])[1]  # without a head, nothing is said of it


def test_what_is_named_goes_before_the_configuration(figures: Callable[..., dict[str, Any]], config: str) -> None:
    framing = figures("--config", config, "gallery", "--lens", "200-800", "--distance", "28", "--shot", "medium")
    assert framing["fits"] is True


def test_without_a_wish_all_shots_and_both_ends_of_the_lens_are_told(run: Run) -> None:
    code, out, _ = run(*FULL_FRAME, "--lens", "100-400", "--distance", "12", "--json")
    framings = json.loads(out)["framings"]
    assert code == 0
    assert [framing["name"] for framing in framings] == [
        "wide end", "full", "medium", "medium-close", "close", "tele end",
    ]  # fmt: skip
    table = run(*FULL_FRAME, "--lens", "100-400", "--distance", "12")[1]
    assert all(framing["name"] in table for framing in framings)


def test_a_lens_of_one_focal_length_has_no_zoom(figures: Callable[..., dict[str, Any]]) -> None:
    framing = figures(*FULL_FRAME, "--lens", "50", "--dialect", "nibble4-51")
    assert (framing["name"], framing["zoom_counts"]) == ("50 mm", None)


@pytest.mark.parametrize(
    ("arguments", "what"),
    [
        ("--lens 100-400", "add --sensor, such as --sensor 35.9x24."),
        ("--sensor 36x24", "Say what is to be seen"),
        ("--sensor 36x24 --shot medium", "add --distance, in metres"),
        ("--sensor 36x24 --width 3", "add --distance, in metres"),
        ("--sensor 36x24 --distance 3 --shot medium --focal-length 50", "keep one of them"),
        ("--sensor 36x24 --distance 3 --shot medium-wide", "did you mean medium?"),
        ("--sensor 36 --focal-length 50", "'36' is no sensor"),
        ("--sensor 0x24 --focal-length 50", "'0' must be a number from 0.1 to 1000"),
        ("--sensor 3.6.1x24 --focal-length 50", "must be a number"),
        ("--sensor 36x24 --lens wide", "'wide' is no lens"),
        ("--sensor 36x24 --lens 400-100", "write 100-400"),
        ("--sensor 36x24 --focal-length nan", "nan is not a finite number"),
        ("--sensor 36x24 --focal-length -5", "-5.0 is not in the range"),
        ("--sensor 36x24 --lens 50 --distance inf", "inf is not in the range"),
        ("--sensor 36x24 --lens 50 --frame-rate 5", "5.0 is not in the range 10.0<=x<=240.0"),
        ("--sensor 36x24 --lens 50 --picture-width 0", "0 is not in the range"),
        ("--sensor 36x24 --lens 50 --dialect nibble5", "There is no dialect 'nibble5'"),
        ("--sensor 36x24 --lens 50 --dialect /nowhere.toml", "can't be read"),
        ("gallery --lens 50", "add --config"),
        ("--config {config}", "gallery, left, right"),
        ("--config {config} balcony", "There is no camera balcony"),
        ("--config {config} lefft", "did you mean left?"),
        ("--config {config} right --focal-length 50", "or give camera right a sensor"),
        ("--config /nowhere.toml left", "no file /nowhere.toml"),
    ],
)
def test_a_question_put_wrongly_ends_with_2_and_one_line(run: Run, config: str, arguments: str, what: str) -> None:
    code, out, err = run(*arguments.format(config=config).split())
    assert (code, out) == (2, "")
    assert what in err
    assert err.count("\n") == 1


async def test_it_helps_with_an_example(ptzd: Any) -> None:
    ended = await ptzd("shot", "--help")
    assert (ended.code, ended.err) == (0, "")
    assert "Example: ptzd shot" in ended.out
