"""Scales, speed tables and ends of the heads.

[B] SRG-300H technical manual, "Execution command list (4/4)"
[C] SRG-X400 command list, "Pan tilt"
[D] TLC-700-S user manual, "VISCA pan tilt absolute position value" and "speed value"
[G] HC20X user manual, command list
[H] EVI-D80 technical manual, "Pan/tilt position (for reference)"
[I] Ceiling DocCam II technical manual, "Zoom ratio and zoom position (for reference)"
[J] FCB-EX1010 technical manual, "Lens control"
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ptzd.visca import Dialect, DialectError, dialect_names, load_dialect, read_dialect
from ptzd.visca.nibbles import to_signed_nibbles

NAMES = ("nibble4-14", "nibble4-45", "nibble4-51", "shared4-51", "shared5-205")


def test_the_dialects_that_come_with_the_program() -> None:
    assert dialect_names() == NAMES


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


@pytest.mark.parametrize("name", NAMES)
def test_every_dialect_names_its_documents_and_keeps_its_file_name(name: str) -> None:
    dialect = load_dialect(name)
    assert dialect.name == name
    assert any("manual" in source for source in dialect.sources)


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
@pytest.mark.parametrize(("ratio", "counts"), ZOOM)
def test_the_published_zoom_ratios(name: str, ratio: int, counts: int) -> None:
    zoom = load_dialect(name).zoom
    assert zoom.ratio(counts) == ratio
    assert (zoom.wide_counts, zoom.tele_counts) == (0x0000, 0x4000)  # digital zoom lies above 4000 [I]


def test_between_two_published_ratios_the_zoom_goes_in_a_straight_line() -> None:
    zoom = load_dialect("nibble4-51").zoom
    assert zoom.ratio((0x1781 + 0x213B) // 2) == pytest.approx(2.5, abs=0.001)
    assert zoom.ratio(0x5000) == 25  # digital zoom adds nothing to the lens


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
@pytest.mark.parametrize(("metres", "counts"), FOCUS)
def test_the_published_focus_distances(name: str, metres: float, counts: int) -> None:
    assert load_dialect(name).focus.metres(counts) == pytest.approx(metres)


def test_1000_is_beyond_infinity_and_distances_shrink_with_the_counts() -> None:  # [J]
    focus = load_dialect("nibble4-51").focus
    assert focus.metres(0x1000) == float("inf")
    assert (focus.least_counts, focus.most_counts) == (0x1000, 0xC000)
    metres = [focus.metres(counts) for counts in range(0x1000, 0xC000, 0x80)]
    assert metres == sorted(metres, reverse=True)


@given(st.sampled_from(NAMES), st.floats(min_value=-170, max_value=170))
def test_counts_are_the_nearest_there_are(name: str, degrees: float) -> None:
    scale = load_dialect(name).pan
    error = abs(scale.degrees(scale.counts(degrees)) - degrees)
    assert error <= 0.5 / scale.counts_per_degree + 1e-9


# A head of one's own


def text_of(name: str) -> str:
    return (Path(__file__).parents[2] / "ptzd" / "visca" / "dialects" / f"{name}.toml").read_text("utf-8")


def own(tmp_path: Path, text: str) -> Dialect:
    path = tmp_path / "own.toml"
    path.write_text(text, "utf-8")
    return read_dialect(path)


def test_a_head_of_ones_own_is_a_file(tmp_path: Path) -> None:
    text = text_of("nibble4-51").replace('name = "nibble4-51"', 'name = "granary-rail"')
    dialect = own(tmp_path, text.replace("most_counts = 8704", "most_counts = 5120"))
    assert dialect.name == "granary-rail"
    assert dialect.pan.degrees(dialect.pan.most_counts) == 100


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("pan_nibbles = 4", "pan_nibbles = 6", "pan_nibbles"),
        ("pan_nibbles = 4", "pan_nibbles = 4\ncolour = 'grey'", "colour"),
        ('"two-speed"', '"three-speed"', "absolute"),
        ("counts_per_degree = 51.2", "counts_per_degree = 0", r"pan\.counts_per_degree"),
        ("least_counts = -8704", "least_counts = 9000", "less than most_counts"),
        ("least_counts = -8704", "least_counts = -40000", "do not fit a field of 4 nibbles"),
        ("least_counts = -1024", "least_counts = -40000", "do not fit a field of 4 nibbles"),
        ("105.0, 120.0", "120.0, 105.0", "must rise"),
        ("[2.0, 0x1781]", "[2.0, 0x7781]", "ratios must be in order"),
        ("[20.0, 0x2000]", "[2000.0, 0x3000]", "distances must be in order"),
        ('name = "nibble4-51"', 'name = "Balcony Head"', "name"),
        ("[pan]", "[pan", "not TOML"),
    ],
)
def test_a_mistake_in_a_dialect_file_is_told_with_its_place(tmp_path: Path, old: str, new: str, complaint: str) -> None:
    text = text_of("nibble4-51")
    assert old in text
    with pytest.raises(DialectError, match=complaint) as caught:
        own(tmp_path, text.replace(old, new, 1))
    assert "own.toml" in str(caught.value)


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    text = text_of("nibble4-51").replace("pan_nibbles = 4", "pan_nibbles = 6").replace("slow_mode = false", "")
    with pytest.raises(DialectError) as caught:
        own(tmp_path, text.replace("ramp_curves = 0", "ramp_curves = -1"))
    assert "pan_nibbles" in str(caught.value)
    assert "ramp_curves" in str(caught.value)


def test_an_unknown_dialect_is_told_with_those_there_are() -> None:
    with pytest.raises(DialectError, match="nibble4-14, nibble4-45, nibble4-51"):
        load_dialect("nibble4-99")


def test_a_dialect_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(DialectError, match=r"no-such\.toml can't be read: No such file"):
        read_dialect(tmp_path / "no-such.toml")


def test_a_dialect_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(DialectError, match="not UTF-8"):
        read_dialect(path)
