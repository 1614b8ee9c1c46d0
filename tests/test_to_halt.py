"""By a damaged configuration every camera whose link is still in it is stopped, and none is taken for another."""

from __future__ import annotations

import random
import re
from contextlib import suppress
from pathlib import Path

import pytest

from ptzd import toml
from ptzd.config import load_config
from ptzd.files import TextFileError
from ptzd.links import parse_link
from ptzd.to_halt import CameraToHalt, cameras_to_halt

LINKS = {
    "left": "udp://127.0.0.1:52381",
    "right": "tcp://127.0.0.1:5678",
    "gallery": "serial:/dev/ttyUSB0?address=2&cameras=3",
}
GOOD = f"""# A village choir's evening
[broker]
host = "127.0.0.1"

[store]
path = "show.db"

[camera.left]
label = "Left, by the sack hoist"
link = "{LINKS["left"]}"
dialect = "nibble4-51"                # the head's scales
focal_length = [
    [0, 28],  # [counts, mm]
    [16384, 135],
]

[camera.right]
dialect = "nibble4-14"
link = "{LINKS["right"]}"             # by the piano
window = {{ pan_deg = [-60, 60], tilt_deg = [-15, 30] }}

[camera.gallery]
link = "{LINKS["gallery"]}"
dialect = "shared4-51"
sensor = [35.9, 24.0]
"""
INLINE = f"""[store]
path = "show.db"
[camera]
left = {{ link = "{LINKS["left"]}", dialect = "nibble4-51" }}
right.link = "{LINKS["right"]}"
right.dialect = "nibble4-14"
[camera.gallery]
link = "{LINKS["gallery"]}"
dialect = "shared4-51"
"""


def found_in(text: str | bytes, folder: Path) -> list[CameraToHalt]:
    path = folder / "show.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return list(cameras_to_halt(path))


def told(found: list[CameraToHalt]) -> dict[str, str]:
    return {each.name: str(each.link) for each in found}


@pytest.mark.parametrize("text", [GOOD, INLINE, GOOD.replace("dialect =", "dialekt =").replace("\n", "\r\n")])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_where_it_is_toml_each_camera_is_told_of_by_its_name(text: str, encoding: str, tmp_path: Path) -> None:
    assert told(found_in(text.encode(encoding), tmp_path)) == LINKS


def test_a_byte_that_is_not_utf_8_keeps_no_camera_from_being_stopped(tmp_path: Path) -> None:
    assert told(found_in(GOOD.replace("hoist", "h\xf6ist").encode("latin-1"), tmp_path)) == LINKS


@pytest.mark.parametrize(
    "damaged", ["# [camera.right]", "#[camera.right]", "[camera.right", "camera.right]", "(camera.right]"]
)
def test_what_stands_below_a_damaged_header_is_not_taken_for_the_camera_above(damaged: str, tmp_path: Path) -> None:
    found = found_in(GOOD.replace("[camera.right]", damaged) + "[", tmp_path)
    assert told(found) == {
        f"{LINKS['left']} (line 10, below left)": LINKS["left"],
        f"{LINKS['right']} (line 19)": LINKS["right"],
        f"{LINKS['gallery']} (line 23, below gallery)": LINKS["gallery"],
    }


def test_a_link_that_is_written_twice_in_one_table_makes_two_to_stop(tmp_path: Path) -> None:
    twice = 'link = "udp://127.0.0.1:52399"\n'
    found = found_in(GOOD.replace("focal_length", f"{twice}focal_length"), tmp_path)
    assert [str(each.link) for each in found] == [LINKS["left"], "udp://127.0.0.1:52399", *list(LINKS.values())[1:]]
    assert not any(each.name in LINKS for each in found)


def test_inline_tables_and_dotted_keys_are_read_where_something_else_is_no_toml(tmp_path: Path) -> None:
    found = found_in(f"{INLINE}[page", tmp_path)
    assert told(found) == {
        f"{LINKS['left']} (line 4, below left)": LINKS["left"],
        f"{LINKS['right']} (line 5, below right)": LINKS["right"],
        f"{LINKS['gallery']} (line 8, below gallery)": LINKS["gallery"],
    }
    assert [each.dialect.name for each in found] == ["nibble4-51", "nibble4-14", "shared4-51"]


@pytest.mark.parametrize(
    ("whole", "damaged"),
    [
        (f'link = "{LINKS["left"]}"', f"link = {LINKS['left']}"),
        (f'link = "{LINKS["left"]}"', f'lnk = "{LINKS["left"]}"'),
        (f'link = "{LINKS["left"]}"', f'# link = "{LINKS["left"]}"'),
        (f'link = "{LINKS["left"]}"', f'link = ["{LINKS["left"]}"]'),
        ("[camera.left]", "[kamera.left]"),
        ("[camera.left]", "[[camera]]"),
    ],
)
def test_a_link_in_no_cameras_table_is_told_of_by_its_address(whole: str, damaged: str, tmp_path: Path) -> None:
    found = found_in(GOOD.replace(whole, damaged), tmp_path)
    assert {str(each.link) for each in found} == set(LINKS.values())
    assert next(each for each in found if str(each.link) == LINKS["left"]).name.startswith(LINKS["left"])


def test_a_dialect_that_cannot_be_read_keeps_no_camera_moving(tmp_path: Path) -> None:
    found = found_in(GOOD.replace("nibble4-14", "nibble4-41"), tmp_path)
    assert told(found) == LINKS
    assert [each.dialect_known for each in found] == [True, False, True]


def test_a_comment_says_nothing_where_each_camera_has_its_link(tmp_path: Path) -> None:
    text = f"{GOOD}speed = 99 # it was udp://127.0.0.1:9, or tcp://HOST:PORT\n"
    assert told(found_in(text, tmp_path)) == LINKS
    assert [str(each.link) for each in found_in(f"{text}[", tmp_path)] == [*LINKS.values(), "udp://127.0.0.1:9"]


def damaged(text: str, rng: random.Random) -> bytes:
    """A text with one to three things wrong in it."""
    data = text.encode()
    for _ in range(rng.randint(1, 3)):
        lines = data.splitlines(keepends=True)
        line, at = rng.randrange(len(lines)), rng.randrange(len(data))
        if rng.random() < 0.4:  # what matters most
            line = rng.choice([number for number, each in enumerate(lines) if b"[camera" in each or b"link" in each])
        brackets = [number for number, each in enumerate(data) if each in b"[]{}\"'="]
        match rng.randrange(7):
            case 0:
                del lines[line]
            case 1:
                lines.insert(rng.randrange(len(lines)), lines[line])
            case 2:
                lines[line] = rng.choice([b"#", b"# ", b"##"]) + lines[line]
            case 3:
                lines[line] = lines[line].rstrip(b"\r\n")
            case 4:
                lines = [data[:at] + data[at + 1 :]]
            case 5:
                at = rng.choice(brackets)
                lines = [data[:at] + rng.choice([b"", b"(", b"]", b"[", b"}", b'"']) + data[at + 1 :]]
            case _:
                lines = [data[:at] + bytes([rng.randrange(256)]) + data[at:]]
        data = b"".join(lines)
    return data


@pytest.mark.parametrize("text", [GOOD, INLINE], ids=["tables", "inline"])
def test_every_link_that_is_whole_is_stopped_and_no_name_is_said_of_another_camera(text: str, tmp_path: Path) -> None:
    rng = random.Random(26)
    by_name = taken = 0
    for _ in range(300):
        data = damaged(text, rng)
        found = found_in(data, tmp_path)
        try:
            load_config(tmp_path / "show.toml")
            taken += 1
            continue  # nobody could tell that it is damaged
        except TextFileError:
            pass
        links = {each.link for each in found}
        whole = data.decode("utf-8", "replace")
        with suppress(ValueError):
            toml.loads(whole)
            whole = re.sub("#.*", "", whole)  # where it is TOML, what is left out in a comment may be meant so
        for name, link in LINKS.items():
            if re.search(rf"(?<![\w-]){re.escape(link)}(?![\w.:&?=-])", whole):
                assert parse_link(link) in links, data
            others = {parse_link(other) for other in LINKS.values() if other != link}
            own = [each for each in found if each.name == name]
            by_name += len(own)
            assert not any(each.link in others for each in own), data
    assert by_name > 50
    assert taken < 100
