"""The marks a picture and a page are made of: elements that can't be malformed, numbers and times as they are shown."""

from __future__ import annotations

import html
from collections.abc import Mapping
from functools import lru_cache

from ptzd.files import clock_of_seconds

from .text import cleaned

_OURS = frozenset({"class_", "d"})  # attributes in which no text of a show ever is
SVG = "http://www.w3.org/2000/svg"


class Element:
    """An element of a page or a picture: a tag, attributes, a text and what is in it.

    What is put into it for good is written at once: a long show's report has a hundred thousand of these.
    """

    __slots__ = ("_attributes", "children", "tag", "text")

    def __init__(self, tag: str, attributes: Mapping[str, str | float]) -> None:
        self.tag = tag
        self.text = ""
        self.children: list[Element | str] = []  # elements, and markup that has been written
        self._attributes = _written_attributes(attributes)

    def set(self, name: str, value: str | float) -> None:
        """Give it one more attribute, under its name in the page."""
        self._attributes += _written_attributes({name: value})

    def write(self, parts: list[str]) -> None:
        """Append it as markup."""
        parts.append(f"<{self.tag}{self._attributes}>{_escaped(self.text)}")
        for child in self.children:
            if isinstance(child, str):
                parts.append(child)
            else:
                child.write(parts)
        parts.append(f"</{self.tag}>")


def root(tag: str, **attributes: str | float) -> Element:
    """Return a new element; for the spelling of attributes see `add`."""
    return Element(tag, attributes)


def add(parent: Element, tag: str, text: str | None = None, **attributes: str | float) -> Element:
    """Add an element, with text in it. `class_` is written as class, `stroke_width` as stroke-width."""
    element = Element(tag, attributes)
    parent.children.append(element)
    if text is not None:
        element.text = cleaned(text)
    return element


def put(parent: Element, tag: str, text: str, **attributes: str | float) -> None:
    """Add an element that only a text is in. For the spelling of attributes see `add`."""
    parent.children.append(f"<{tag}{_written_attributes(attributes)}>{_safe(text)}</{tag}>")


def shape(parent: Element, tag: str, **attributes: str | float) -> None:
    """Add a shape to a picture. For the spelling of attributes see `add`."""
    # In HTML, too, may elements of a picture end in this short way, and no others.
    parent.children.append(f"<{tag}{_written_attributes(attributes)}/>")


def say(parent: Element, text: str) -> None:
    """Put text behind what is in an element by now. Spaces at its ends are kept."""
    kept = cleaned(f"|{text}|")
    parent.children.append(_escaped(kept[1:-1]))


def written(element: Element) -> str:
    """Return the element as text that is well formed in XML and in HTML alike."""
    parts: list[str] = []
    element.write(parts)
    return "".join(parts)


def document(title: str, style: str, body: Element, meta: str = "") -> str:
    """Return a page that stands on its own; `meta` is markup for its head."""
    head = root("head")
    # The elements without an end are written out here, so that the rest reads alike in HTML and in XML.
    head.children.append(f'<meta charset="utf-8"/>{meta}')
    put(head, "title", title)
    add(head, "style").text = style
    return f'<!DOCTYPE html>\n<html lang="en">{written(head)}\n{written(body)}</html>\n'


def _written_attributes(attributes: Mapping[str, str | float]) -> str:
    return "".join([f' {_spelt(name)}="{_shown(name, value)}"' for name, value in attributes.items()])


def _shown(name: str, value: str | float) -> str:
    if isinstance(value, str):
        return value if name in _OURS else _safe(value)
    return figures(value)


@lru_cache(maxsize=256)
def _spelt(name: str) -> str:
    return name.rstrip("_").replace("_", "-")


def _safe(text: str) -> str:
    return _escaped(cleaned(text))


def _escaped(text: str) -> str:
    return html.escape(text, quote=False).replace('"', "&quot;")


def figures(value: float) -> str:
    """Return a coordinate to a tenth, without a point where it has no decimals."""
    return _in_tenths(round(value * 10))


@lru_cache(maxsize=65536)
def _in_tenths(tenths: int) -> str:
    whole, rest = divmod(abs(tenths), 10)
    return f"{'-' if tenths < 0 else ''}{whole}{f'.{rest}' if rest else ''}"


class Pen:
    """Draws many lines as one path, whose data (`d`) it says as shortly as they can be said, to a tenth."""

    def __init__(self) -> None:
        self._parts: list[str] = []
        self._x = self._y = 0  # where it stands, in tenths

    @property
    def d(self) -> str:
        """What it has drawn, empty where it has drawn nothing."""
        return "".join(self._parts)

    def line(self, x: float, y: float, right: float, down: float) -> None:
        """Draw from (x, y) so far to the right and down; either may be negative."""
        self._lift(round(x * 10), round(y * 10))
        end_x, end_y = round((x + right) * 10), round((y + down) * 10)
        right, down = end_x - self._x, end_y - self._y
        if not down:
            self._parts.append(f"h{_in_tenths(right)}")
        elif not right:
            self._parts.append(f"v{_in_tenths(down)}")
        else:
            self._parts.append(f"l{_pair(right, down)}")
        self._x, self._y = end_x, end_y

    def box(self, x: float, y: float, wide: float, high: float, corner: float = 0.0) -> None:
        """Draw a rectangle with its upper left corner at (x, y); with `corner` it ends in half circles of so much."""
        left, right, top, bottom = (round(value * 10) for value in (x, x + wide, y, y + high))
        radius = min(round(corner * 10), (right - left) // 2)
        self._lift(left + radius, top)
        across, down = _in_tenths(right - left - 2 * radius), _in_tenths(bottom - top)
        if radius:
            arc = f"a{_in_tenths(radius)} {_in_tenths((bottom - top) // 2)} 0 0 1 0 "
            self._parts.append(f"h{across}{arc}{down}h-{across}{arc}-{down}z")
        else:
            self._parts.append(f"h{across}v{down}h-{across}z")

    def _lift(self, x: int, y: int) -> None:
        right, down = x - self._x, y - self._y
        near = self._parts and -1000 < right < 1000 and -1000 < down < 1000  # then the way to it is the shorter to say
        self._parts.append(f"m{_pair(right, down)}" if near else f"M{_pair(x, y)}")
        self._x, self._y = x, y


def _pair(x: int, y: int) -> str:
    return f"{_in_tenths(x)}{'' if y < 0 else ' '}{_in_tenths(y)}"


def clock(seconds: float) -> str:
    """Return a time into the show to a tenth of a second, such as `0:12:30` or `0:12:30.5`."""
    tenths = round(seconds, 1)
    return ("\u2212" if tenths < 0 else "") + clock_of_seconds(abs(tenths))


def span_text(seconds: float) -> str:
    """Return a number of seconds as it is read, to a tenth: `3.4 s`."""
    return f"{seconds:.1f}\u00a0s"


def margin_text(seconds: float) -> str:
    """Return a margin with its sign: `+1.2 s`, `−0.4 s`."""
    sign = "\u2212" if round(seconds, 1) < 0 else "+"
    return f"{sign}{abs(seconds):.1f}\u00a0s"
