"""What documents print of each head is what its dialect says.

[B] SRG-300H technical manual, "Execution command list (4/4)"
[C] SRG-X400 command list, "Pan tilt"
[D] TLC-700-S user manual, "VISCA pan tilt absolute position value" and "speed value"
[G] HC20X user manual, command list
[H] EVI-D80 technical manual, "Pan/tilt position (for reference)"
[I] Ceiling DocCam II technical manual, "Zoom ratio and zoom position (for reference)"
[J] FCB-EX1010 technical manual, "Lens control"
"""

from __future__ import annotations

import pytest

from ptzd.visca import load_dialect
from ptzd.visca.nibbles import to_signed_nibbles

# The heads of which documents print something.
NAMES = ("nibble4-14", "nibble4-45", "nibble4-51", "shared4-51", "shared5-205")


@pytest.mark.parametrize(
    ("name", "axis", "degrees", "word"),
    [
        ("nibble4-51", "pan", -170, 0xDE00),  # [B]
        ("nibble4-51", "pan", 170, 0x2200),  # [B]
        ("nibble4-51", "tilt", -20, 0xFC00),  # [B]
        ("nibble4-51", "tilt", 90, 0x1200),  # [B]
        ("shared4-51", "pan", -170, 0xDE00),  # [B]
        ("shared4-51", "pan", 170, 0x2200),  # [B]
        ("shared4-51", "tilt", -20, 0xFC00),  # [B]
        ("shared4-51", "tilt", 90, 0x1200),  # [B]
        ("nibble4-45", "pan", -170, 0xE1E5),  # [H]
        ("nibble4-45", "pan", 170, 0x1E1B),  # [H]
        ("nibble4-45", "tilt", -20, 0xFC75),  # [H]
        ("nibble4-45", "tilt", 90, 0x0FF0),  # [H]
        ("nibble4-14", "pan", -90, 0xFAF0),  # [D]
        ("nibble4-14", "pan", 90, 0x0510),  # [D]
        ("nibble4-14", "pan", -170, 0xF670),  # [D]
        ("nibble4-14", "pan", 170, 0x0990),  # [D]
        ("nibble4-14", "tilt", -30, 0xFE50),  # [D]
        ("nibble4-14", "tilt", 90, 0x0510),  # [D]
    ],
)
def test_an_angle_is_the_published_counts(name: str, axis: str, degrees: float, word: int) -> None:
    dialect = load_dialect(name)
    scale = dialect.pan if axis == "pan" else dialect.tilt
    counts = word - 0x10000 if word >= 0x8000 else word
    assert scale.counts(degrees) == counts
    assert scale.degrees(counts) == pytest.approx(degrees, abs=0.5 / scale.counts_per_degree)
    nibbles = [word >> shift & 0xF for shift in (12, 8, 4, 0)]
    assert list(to_signed_nibbles(scale.counts(degrees), 4)) == nibbles
    assert scale.least_counts <= counts <= scale.most_counts


@pytest.mark.parametrize(
    ("name", "pan", "tilt"),
    [  # degrees
        ("nibble4-51", (-170, 170), (-20, 90)),  # [B]
        ("shared4-51", (-170, 170), (-20, 90)),  # [B]
        ("nibble4-45", (-170, 170), (-20, 90)),  # [H]
        ("nibble4-14", (-170, 170), (-30, 90)),  # [D]
    ],
)
def test_a_head_reaches_the_published_ends(name: str, pan: tuple[float, float], tilt: tuple[float, float]) -> None:
    dialect = load_dialect(name)
    for scale, (least, most) in ((dialect.pan, pan), (dialect.tilt, tilt)):
        assert (scale.least_counts, scale.most_counts) == (scale.counts(least), scale.counts(most))


def test_the_wide_pan_field_holds_what_four_nibbles_do_not() -> None:  # from memory
    dialect = load_dialect("shared5-205")
    assert dialect.pan_nibbles == 5
    assert dialect.pan.most_counts > 0x7FFF
    assert "from memory" in " ".join(dialect.sources)


@pytest.mark.parametrize(
    ("name", "absolute", "pan_steps", "tilt_steps"),
    [
        ("nibble4-51", "two-speed", 0x18, 0x17),  # [B]
        ("shared4-51", "shared-speed", 0x18, 0x17),  # [C]
        ("shared5-205", "shared-speed", 0x18, 0x17),  # from memory
        ("nibble4-45", "two-speed", 0x18, 0x14),  # [G]
        ("nibble4-14", "two-speed", 0x18, 0x12),  # [D]
    ],
)
def test_how_many_steps_a_head_has_and_for_which_axis(
    name: str, absolute: str, pan_steps: int, tilt_steps: int
) -> None:
    dialect = load_dialect(name)
    assert dialect.absolute == absolute
    assert (dialect.pan.fastest_step, dialect.tilt.fastest_step) == (pan_steps, tilt_steps)


PAN = "1 1.5 2.2 2.4 2.6 2.8 3.0 3.2 3.4 3.8 4.5 6 9 15 19 25 32 38 45 58 75 88 105 120"  # steps 1 to 24 [D]
TILT = "1 1.5 2.2 3.6 4.7 6 8 10 12 15 18 23 30 39 48 59 69 80"  # steps 1 to 18 [D]


def test_the_published_speed_tables() -> None:
    dialect = load_dialect("nibble4-14")
    assert dialect.pan.steps_deg_per_s == tuple(map(float, PAN.split()))
    assert dialect.tilt.steps_deg_per_s == tuple(map(float, TILT.split()))
    assert dialect.pan.steps_deg_per_s[12 - 1] == 6  # [D], step 12
    assert dialect.pan.steps_deg_per_s[18 - 1] == 38  # [D], step 18
    assert dialect.pan.steps_deg_per_s[24 - 1] == 120  # [D], step 24
    assert "assumed" not in dialect.pan.steps_source + dialect.tilt.steps_source


@pytest.mark.parametrize("name", [name for name in NAMES if name != "nibble4-14"])
def test_a_speed_table_that_nobody_published_says_so(name: str) -> None:
    dialect = load_dialect(name)
    for scale in (dialect.pan, dialect.tilt):
        assert scale.steps_source.startswith("assumed")
        assert "Learn the head" in scale.steps_source


ZOOM = [
    (1, 0x0000),
    (2, 0x1781),
    (3, 0x213B),
    (4, 0x2752),
    (5, 0x2BB3),
    (6, 0x2F03),
    (7, 0x315D),
    (8, 0x3364),
    (9, 0x34FF),
    (10, 0x362C),
    (11, 0x373D),
    (12, 0x386A),
    (13, 0x3929),
    (14, 0x3A20),
    (15, 0x3AFA),
    (16, 0x3BBA),
    (17, 0x3C5E),
    (18, 0x3CCB),
    (19, 0x3D70),
    (20, 0x3DF8),
    (21, 0x3E66),
    (22, 0x3ED3),
    (23, 0x3F25),
    (24, 0x3F93),
    (25, 0x4000),
]  # times, counts [I]


@pytest.mark.parametrize("name", NAMES)
def test_the_zoom_ratios_are_the_published_ones_of_another_camera_and_say_so(name: str) -> None:
    zoom = load_dialect(name).zoom
    assert list(zoom.ratios) == ZOOM
    assert (zoom.wide_counts, zoom.tele_counts) == (0x0000, 0x4000)  # digital zoom lies above 4000 [I]
    assert zoom.ratios_source.startswith("assumed")
    assert "Ceiling DocCam II" in zoom.ratios_source


FOCUS = [
    (20, 0x2000),
    (10, 0x3000),
    (5, 0x4000),
    (3, 0x5000),
    (2, 0x6000),
    (1.5, 0x7000),
    (0.32, 0x8000),
    (0.095, 0x9000),
    (0.045, 0xA000),
    (0.02, 0xB000),
    (0.01, 0xC000),
]  # metres, counts [J]


@pytest.mark.parametrize("name", NAMES)
def test_the_focus_distances_are_the_published_ones_of_another_camera_and_say_so(name: str) -> None:
    focus = load_dialect(name).focus
    assert list(focus.distances) == [(float("inf"), 0x1000), *FOCUS]  # 1000 is beyond infinity [J]
    assert focus.distances_source.startswith("assumed")
    assert "FCB-EX1010" in focus.distances_source
