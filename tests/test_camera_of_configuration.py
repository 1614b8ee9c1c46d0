"""What a camera's table in the configuration says is what that camera goes by."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ptzd.cameras import CameraSettings, Window, reach_of
from ptzd.config import load_config
from ptzd.daemon import camera_settings
from ptzd.line import Tolerance
from ptzd.motion import ON_A_RAIL, LearnedHead, Measured, published_head, write_head
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")  # 51.2 counts a degree (SRG-300H technical manual)
Configured = Callable[..., CameraSettings]


@pytest.fixture
def configured(tmp_path: Path) -> Configured:
    def settings(*lines: str, kept: Path | None = None, dialect: str = "nibble4-51") -> CameraSettings:
        path = tmp_path / "ptzd.toml"
        camera = ["[camera.gallery]", 'link = "udp://127.0.0.1:52381"', f'dialect = "{dialect}"', *lines]
        path.write_text("\n".join(["[store]", 'path = "show.db"', *camera]))
        return camera_settings("gallery", load_config(path).camera["gallery"], kept)

    return settings


def learned(dialect: str) -> str:
    """A head that was found a little slower than its table, as the file that keeps it."""
    steps = tuple(0.9 * speed for speed in DIALECT.pan.steps_deg_per_s)
    tilt = tuple(0.9 * speed for speed in DIALECT.tilt.steps_deg_per_s)
    model = replace(published_head(steps, tilt), origin="learned")
    figures = Measured(
        pan_steps=(0.003,) * len(steps),
        pan_acceleration=0.02,
        tilt_steps=(0.004,) * len(tilt),
        tilt_acceleration=0.03,
        zoom_direct=0.002,
        zoom_drive=(0.01,) * 8,
        zoom_acceleration=0.1,
        focus=0.01,
        latency=0.2,
        settling=0.15,
        not_reached=(),
    )
    return write_head(LearnedHead(model, figures, dialect, datetime(2031, 5, 24, 17, 5, tzinfo=UTC)))


def test_what_is_left_out_is_as_the_documentation_of_the_fields_says(configured: Configured) -> None:
    camera = configured()
    assert (camera.speed, camera.on_air_speed, camera.on_air_moves) == (24, 12, "ask")
    assert camera.tolerance == Tolerance(1, 1, 1, 1)
    assert camera.optics is None
    assert camera.head.origin == "published"


def test_speeds_and_what_may_be_done_on_air_reach_the_camera(configured: Configured) -> None:
    camera = configured("speed = 18", "on_air_speed = 7", 'on_air_moves = "refuse"')
    assert (camera.speed, camera.on_air_speed, camera.on_air_moves) == (18, 7, "refuse")


def test_a_tolerance_in_degrees_is_for_pan_and_tilt_and_one_in_counts_for_all(configured: Configured) -> None:
    assert configured("tolerance_counts = 4").tolerance == Tolerance(4, 4, 4, 4)
    assert configured("tolerance_deg = 0.5").tolerance == Tolerance(26, 26, 1, 1)  # 25.6 counts
    assert configured("tolerance_deg = 0.001").tolerance == Tolerance(1, 1, 1, 1), "a count is the least"


def test_a_head_on_a_rail_swings_longer_than_one_on_a_tripod(configured: Configured) -> None:
    on_a_tripod, on_a_rail = configured('mount = "tripod"'), configured('mount = "balcony-rail"')
    assert on_a_rail.head.settle == ON_A_RAIL
    assert on_a_rail.head.settle.swing_seconds(60.0) > on_a_tripod.head.settle.swing_seconds(60.0)


@pytest.mark.parametrize(
    ("dialect", "shared"),
    [("nibble4-51", False), ("nibble4-14", False), ("shared5-205", True)],
)
def test_a_dialect_with_one_speed_for_both_axes_makes_a_head_that_has_one(
    configured: Configured, dialect: str, shared: bool
) -> None:
    camera = configured(dialect=dialect)
    assert camera.head.shared_speed is shared
    assert camera.head.pan.steps_deg_per_s == load_dialect(dialect).pan.steps_deg_per_s
    assert camera.head.tilt.steps_deg_per_s == load_dialect(dialect).tilt.steps_deg_per_s


def test_sensor_and_lens_make_a_picture_and_a_fixed_or_missing_lens_makes_none(configured: Configured) -> None:
    sensor = "sensor = [36.0, 24.0]"
    optics = configured(sensor, "focal_length = [100, 400]", "frame_rate = 50").optics
    assert optics is not None
    assert (optics.sensor.width_mm, optics.sensor.height_mm, optics.frame_rate) == (36.0, 20.25, 50.0)
    # The tele end of the optical zoom is 4000 (LUMiO 12x VISCA command list).
    assert optics.lens.focal_length_mm(0) == pytest.approx(100.0)
    assert optics.lens.focal_length_mm(0x4000) == pytest.approx(400.0)
    table = configured(sensor, "focal_length = [[0, 100], [8192, 220], [16384, 400]]").optics
    assert table is not None
    assert table.lens.focal_length_mm(8192) == pytest.approx(220.0)
    assert configured(sensor, "focal_length = [50, 50]").optics is None
    assert configured("focal_length = [100, 400]").optics is None
    assert configured(sensor).optics is None


def test_a_head_that_was_learned_is_used_from_where_it_is_kept_or_named(configured: Configured, tmp_path: Path) -> None:
    kept, named = tmp_path / "gallery.head.toml", tmp_path / "other.toml"
    assert configured(kept=kept).head.origin == "published", "nothing is kept yet"
    kept.write_text(learned("nibble4-51"))
    head = configured(kept=kept).head
    assert head.origin == "learned"
    assert head.pan.steps_deg_per_s[11] == pytest.approx(0.9 * 6.0)  # step 12 is 6 degrees/s (TLC-700-S user manual)
    kept.unlink()
    named.write_text(learned("nibble4-51"))
    assert configured(f'head_model = "{named}"', kept=kept).head.origin == "learned"


def test_a_head_that_was_learned_in_another_dialect_is_not_used_and_that_is_logged(
    configured: Configured, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept = tmp_path / "gallery.head.toml"
    kept.write_text(learned("nibble4-14"))
    assert configured(kept=kept).head.origin == "published"
    assert "nibble4-14" in capsys.readouterr().out


def test_an_axis_without_a_window_turns_as_far_as_the_head_does(configured: Configured) -> None:
    head = reach_of(DIALECT)
    assert configured("window = { tilt_deg = [-10, 20] }").window == Window(head.pan_deg, (-10.0, 20.0))
    assert configured("window = { pan_deg = [-30, 30] }").window == Window((-30.0, 30.0), head.tilt_deg)
