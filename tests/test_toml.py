"""Texts that would cost a reader of TOML gigabytes are refused before it begins; all others are read as they were.

What a text says is held against `tomllib`, the standard library's reader.
"""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from ptzd import toml
from ptzd.motion import HeadFileError, read_head
from ptzd.visca import DialectError, read_dialect

DEEP = "a." * 10_000 + "a = 1"  # 20 KB
# Reads a show's text under a limit of the address space, and says what became of it.
IMPORT = """
import resource, sys
from datetime import UTC, datetime
from ptzd.positions.text import read_show
from ptzd.files import TextFileError

text = eval(sys.argv[1])
import psutil
resource.setrlimit(resource.RLIMIT_AS, (psutil.Process().memory_info().vms + 400_000_000,) * 2)
try:
    read_show(text, datetime.now(UTC), lambda camera, name: None, replace=False)
except TextFileError as error:
    print(len(str(error).splitlines()), str(error).splitlines()[0])
"""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("'a.' * 10_000 + 'a = 1'", "line 1: a key has more than 16 parts"),
        ("'a.' * 50_000 + 'a = 1'", "line 1: a key has more than 16 parts"),
        ("'x = 1\\n[' + 'a . ' * 50_000 + 'a]'", "line 2: a key has more than 16 parts"),
        ("'x = {' + '\"a\".' * 50_000 + 'a = 1}'", "line 1: a key has more than 16 parts"),
        ("'x = ' + '[' * 100_000", "line 1: brackets are nested too deeply"),
        ("'x = ' + '{a = ' * 100_000", "line 1: brackets are nested too deeply"),
        ("''.join(f'[x{n}.b.c.d.e.f.g.h.i.j.k.l.m.n]\\n' for n in range(100_000))", "more than 100000 keys and tables"),
        ("''.join(f'k{n} = 1\\n' for n in range(300_000))", "more than 100000 keys and tables"),
    ],
)
def test_an_import_that_would_take_gigabytes_is_refused_in_one_sentence_within_a_bound(text: str, words: str) -> None:
    read = subprocess.run(
        [sys.executable, "-c", IMPORT, text], capture_output=True, text=True, timeout=120, check=False
    )
    assert read.returncode == 0, read.stderr[-500:]
    lines, sentence = read.stdout.split(" ", 1)
    assert lines == "1"
    assert words in sentence


def test_head_files_and_dialects_have_the_same_bounds(tmp_path: Path) -> None:
    with pytest.raises(HeadFileError, match="more than 16 parts") as head:
        read_head(DEEP)
    (tmp_path / "own.toml").write_text(DEEP)
    with pytest.raises(DialectError, match="more than 16 parts") as dialect:
        read_dialect(tmp_path / "own.toml")
    assert "\n" not in f"{head.value}{dialect.value}"


@pytest.mark.parametrize(
    "text",
    [
        'note = "' + "a." * 50 + '"',
        "note = '" + "a." * 50 + "'",
        'note = """' + 'a.\n"" ' * 50 + '"""""',
        "note = '''" + "a.\n'' [[{ " * 50 + "'''''",
        "# " + "a." * 50 + "[" * 50 + "\"'\nkey = 1",
        'note = "a\\"' + "[" * 50 + '\\\\"',
        "one.two = 1.5\n[a.'b.c'.\"d.e\"]\nx = [[1.0, 2.0], [2031-05-24T19:30:00.5Z]]\ny = {z.w = 1, v = ''}",
        'empty = ""\nlong = [\n' + '  "",\n' * 100 + "]",
    ],
)
def test_what_strings_and_comments_hold_is_no_key_and_no_bracket(text: str) -> None:
    assert toml.loads(text) == tomllib.loads(text)


@pytest.mark.parametrize("text", ['x = "never closed\n' + DEEP, "x = '''never closed " + DEEP, "it's\n" + DEEP])
def test_beyond_a_string_that_is_never_closed_nothing_is_read(text: str) -> None:
    with pytest.raises(tomllib.TOMLDecodeError):
        toml.loads(text)


def test_a_show_of_eight_thousand_positions_is_within_bounds() -> None:
    text = "".join(
        f"[positions.left.shot-{number}]\n" + "".join(f"key-{key} = 1\n" for key in range(9)) for number in range(8000)
    )
    assert len(toml.loads(text)["positions"]["left"]) == 8000


def test_a_mark_of_its_encoding_before_a_text_is_no_part_of_it() -> None:
    assert toml.loads("\ufeffpan = 1") == {"pan": 1}
