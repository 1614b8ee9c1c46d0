"""The marks a picture and a page are made of: elements that can't be malformed, numbers and times as they are shown."""

from __future__ import annotations

from xml.etree.ElementTree import Element, SubElement, tostring

from .lettering import cleaned
from .showfile import clock_of_seconds

SVG = "http://www.w3.org/2000/svg"


def root(tag: str, **attributes: str | float) -> Element:
    """Return a new element; for the spelling of attributes see `add`."""
    return Element(tag, _spelt(attributes))


def add(parent: Element, tag: str, text: str | None = None, **attributes: str | float) -> Element:
    """Add an element, with text in it. `class_` is written as class, `stroke_width` as stroke-width."""
    element = SubElement(parent, tag, _spelt(attributes))
    if text is not None:
        element.text = cleaned(text)
    return element


def after(element: Element, text: str) -> None:
    """Put text behind an element, inside the same parent. Spaces at its ends are kept."""
    kept = cleaned(f"|{text}|")
    element.tail = kept[1:-1]


def written(element: Element) -> str:
    """Return the element as text that is well formed in XML and in HTML alike."""
    return tostring(element, encoding="unicode", short_empty_elements=False)


def figures(value: float) -> str:
    """Return a coordinate to a tenth, without a point where it has no decimals."""
    shown = f"{value:.1f}".removesuffix(".0")
    return "0" if shown == "-0" else shown


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


def _spelt(attributes: dict[str, str | float]) -> dict[str, str]:
    return {
        name.rstrip("_").replace("_", "-"): cleaned(value) if isinstance(value, str) else figures(value)
        for name, value in attributes.items()
    }
