"""What a check found as a sheet to sign: one page on paper, with boxes for what only a person can see."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from math import ceil

from ptzd.report.elements import Element, add, document, put, root

from .check_findings import WORDS, Finding, State, verdict

MM_PER_POINT = 25.4 / 72
PAPER_MM = (210.0, 297.0)
MARGIN_MM = 11.0
LETTER = 0.52  # how wide a letter is in this type, of its size
LINE = 1.22  # how high a line is
SIZES = [each / 4 for each in range(40, 19, -1)]  # points, 10 down to 5
OVERHEAD = "overhead"
CAMERA = "camera "
ORDER: tuple[State, ...] = ("failed", "caution", "unseen")  # of what is told in words

STYLE = """
@page{size:A4 portrait;margin:11mm}
*{box-sizing:border-box;print-color-adjust:exact;-webkit-print-color-adjust:exact}
html{background:#fff;color:#000}
body{width:188mm;margin:0 auto;line-height:1.22;font-family:"Liberation Sans",Arial,Helvetica,sans-serif}
h1{margin:0;font-size:1.7em}
h2{margin:.8em 0 .2em;font-size:1em}
p{margin:.2em 0}
table{width:100%;border-collapse:collapse;table-layout:fixed}
th,td{border:.2mm solid #777;padding:.1em .3em;text-align:left;vertical-align:top;overflow-wrap:anywhere}
thead th{background:#eee}
th:first-child{width:24mm}
.failed{background:#000;color:#fff;font-weight:700}
.caution{font-weight:700}
.unseen{font-style:italic}
ol{margin:0;padding:0;list-style:none}
li{display:flex;gap:.5em;margin:.1em 0}
li b{flex:none;min-width:1.8em;text-align:right}
.box{display:inline-block;width:1em;height:1em;border:.3mm solid #000;vertical-align:-.15em}
.boxes th:first-child{width:72mm}.boxes th,.boxes td{border-width:0 0 .2mm;font-weight:400}
.boxes thead th{background:none;font-weight:700}
.sign{display:flex;gap:6mm;margin-top:3.6em}
.sign div{flex:1;border-top:.3mm solid #000;padding-top:.2em}
.sign span{display:block;height:1.4em;margin-top:-1.7em}
"""


def sheet(
    findings: Sequence[Finding],
    cautions: Mapping[str, Sequence[str]],
    *,
    looked_at: datetime,
    operator: str,
    title: str,
) -> str:
    """Return the sheet as HTML. `cautions` has, by camera, what somebody is to see for themselves and tick by hand."""
    findings = [each for each in findings if each.what != OVERHEAD]  # the boxes say it
    cameras = list(dict.fromkeys(each.subject for each in findings if each.subject.startswith(CAMERA)))
    whats = list(dict.fromkeys(each.what for each in findings if each.subject.startswith(CAMERA)))
    told = _in_words(findings)
    body = root("body", style=f"font-size:{_size_points(len(whats), told, cautions):g}pt")
    put(body, "h1", title)
    put(body, "p", f"Looked at on {looked_at:%Y-%m-%d at %H:%M (UTC%z)}. {verdict(findings)}")
    others = [each for each in findings if not each.subject.startswith(CAMERA)]
    put(body, "p", "; ".join(f"{each.subject}, {each.what}: {_mark(each, told)}" for each in others))
    _add_matrix(body, cameras, whats, findings, told)
    put(body, "h2", "In words")
    rows = add(body, "ol")
    for number, (state, whose, sentence) in enumerate(told, 1):
        row = add(rows, "li")
        put(row, "b", str(number))
        put(row, "span", f"{WORDS[state].upper() if state == 'failed' else WORDS[state]}: {whose}: {sentence}")
    if cautions:
        _add_boxes(body, cautions)
    _add_signature(body, operator)
    return document(title, STYLE, body)


Told = list[tuple[State, str, str]]


def _in_words(findings: Sequence[Finding]) -> Told:
    """Return all that is not simply well, the worst first; what is the same of several cameras is told once."""
    whose: dict[tuple[State, str, str], list[str]] = {}
    for each in findings:
        if each.state != "ok":
            whose.setdefault((each.state, each.what, each.sentence), []).append(each.subject.removeprefix(CAMERA))
    rows = [(state, f"{', '.join(names)}, {what}", sentence) for (state, what, sentence), names in whose.items()]
    return sorted(rows, key=lambda row: ORDER.index(row[0]))


def _mark(finding: Finding, told: Told) -> str:
    if finding.state == "ok":
        return WORDS["ok"]
    name = finding.subject.removeprefix(CAMERA)
    for number, (state, whose, sentence) in enumerate(told, 1):
        names, _, what = whose.rpartition(", ")
        if (state, what, sentence) == (finding.state, finding.what, finding.sentence) and name in names.split(", "):
            return f"{WORDS[state].upper() if state == 'failed' else WORDS[state]} ({number})"
    return WORDS[finding.state]


def _add_matrix(
    body: Element, cameras: Sequence[str], whats: Sequence[str], findings: Sequence[Finding], told: Told
) -> None:
    rows = _add_table(body, [camera.removeprefix(CAMERA) for camera in cameras])
    for what in whats:
        row = add(rows, "tr")
        put(row, "th", what)
        for camera in cameras:
            found = [each for each in findings if (each.subject, each.what) == (camera, what)]
            worst = min((each.state for each in found), key=(*ORDER, "ok").index, default="")
            put(row, "td", ", ".join(dict.fromkeys(_mark(each, told) for each in found)) or "–", class_=worst)


def _add_boxes(body: Element, cautions: Mapping[str, Sequence[str]]) -> None:
    put(body, "h2", "Overhead: to be seen by a person, and ticked by hand")
    rows = _add_table(body, cautions, class_="boxes")
    for caution in dict.fromkeys(each for of_one in cautions.values() for each in of_one):
        row = add(rows, "tr")
        put(row, "th", caution)
        for of_one in cautions.values():
            put(add(row, "td"), "span", "", class_="box" if caution in of_one else "")


def _add_table(body: Element, headings: Iterable[str], **more: str) -> Element:
    """Add a table with such headings beside an empty first one; return where its rows belong."""
    table = add(body, "table", **more)
    row = add(add(table, "thead"), "tr")
    for heading in ("", *headings):
        put(row, "th", heading)
    return add(table, "tbody")


def _add_signature(body: Element, operator: str) -> None:
    row = add(body, "div", class_="sign")
    for what, known in (("Operator", operator), ("Signature", ""), ("Date and time", "")):
        cell = add(row, "div")
        put(cell, "span", known)
        put(cell, "p", what)


def _size_points(whats: int, told: Told, cautions: Mapping[str, Sequence[str]]) -> float:
    """Return the largest type in which all of it stands on one page, reckoned by letters and lines."""
    for points in SIZES:
        letters = (PAPER_MM[0] - 2 * MARGIN_MM) / (points * MM_PER_POINT * LETTER)
        lines = 12.0 + 1.25 * 2 * whats  # head, headings, signature; a cell may take two lines
        lines += sum(0.2 + ceil((len(whose) + len(sentence) + 16) / letters) for _, whose, sentence in told)
        lines += 1.3 * max((len(each) for each in cautions.values()), default=-3) + 4
        if lines * LINE * points * MM_PER_POINT <= PAPER_MM[1] - 2 * MARGIN_MM:
            return points
    return SIZES[-1]
