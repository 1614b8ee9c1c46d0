"""A head of one's own is a file, and each mistake in it is told."""

from __future__ import annotations

from pathlib import Path

import pytest

from ptzd.visca import Dialect, DialectError, load_dialect, read_dialect


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
