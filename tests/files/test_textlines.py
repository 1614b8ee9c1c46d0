"""The line of each key is found, whatever stands between them."""

from __future__ import annotations

import tomllib

from hypothesis import given, settings
from hypothesis import strategies as st

from ptzd.files.textlines import key_lines, line_of

TEXT = '''\
# a comment with [brackets] and "quotes
first = 1  # ]
"quoted \\u0041" = """
[not.a.table]
still = "text" \\"""
"""
'literal.key'.inner = \'\'\'
x = 1\'\'\'\'

[table]  # [[
array = [
    "]", # ]
    { a = "}" },
]
dotted.key = { x = 1, y = [1, 2] }
[ table . "sub table" ]
k=1
[[many]]
k = 1
[[many]]

k = 2
[many.deep]
k = 3
'''

LINES = {
    ("first",): 2,
    ("quoted A",): 3,
    ("literal.key",): 7,
    ("literal.key", "inner"): 7,
    ("table",): 10,
    ("table", "array"): 11,
    ("table", "dotted"): 15,
    ("table", "dotted", "key"): 15,
    ("table", "sub table"): 16,
    ("table", "sub table", "k"): 17,
    ("many",): 18,
    ("many", 0): 18,
    ("many", 0, "k"): 19,
    ("many", 1): 20,
    ("many", 1, "k"): 22,
    ("many", 1, "deep"): 23,
    ("many", 1, "deep", "k"): 24,
}


def test_every_table_and_key_has_its_line() -> None:
    tomllib.loads(TEXT)  # it is TOML
    assert key_lines(TEXT) == LINES


def test_windows_line_ends_count_once() -> None:
    assert key_lines(TEXT.replace("\n", "\r\n")) == LINES


def test_what_has_no_line_of_its_own_has_that_of_what_it_stands_in() -> None:
    lines = key_lines(TEXT)
    assert line_of(lines, ("table", "array", 1, "a")) == 11
    assert line_of(lines, ("table", "missing")) == 10
    assert line_of(lines, ("missing",)) is None


VALUES = [
    "1",
    "0x1F",
    "2031-05-24 19:30:00Z",
    "true",
    '"a # b"',
    r'"\" [x]"',
    "'#\"'",
    '"""a\nb = 1\n"""""',
    "'''\n[t]\n''''",
    "[1,\n2] # x",
    "{ a = [1, '}'] }",
    '[\n"]",\n\n# ]\n]',
]
FILLERS = st.sampled_from(["", "\n", "# note\n", "  \n\t\n", "#\n#[x]\n"])


@settings(max_examples=150, deadline=None)
@given(st.lists(st.tuples(FILLERS, st.booleans(), st.sampled_from(VALUES)), max_size=15))
def test_lines_are_found_between_any_values(parts: list[tuple[str, bool, str]]) -> None:
    text, table = "", tuple[str, ...]()
    wanted: dict[tuple[str, ...], int] = {}
    for number, (filler, opens_table, value) in enumerate(parts):
        text += filler
        line = text.count("\n") + 1
        if opens_table:
            table = (f"t{number}",)
            wanted[table] = line
            text += f"[t{number}]\n"
        else:
            wanted[(*table, f"k{number}")] = line
            text += f"k{number} = {value}\n"
    tomllib.loads(text)
    assert key_lines(text) == wanted
