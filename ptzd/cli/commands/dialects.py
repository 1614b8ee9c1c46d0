"""`ptzd dialects`: the families of heads that there are, in words, so that owners find theirs."""

from __future__ import annotations

from collections.abc import Iterator
from math import isinf
from typing import Any

import click

from ptzd.cli.console import print_table
from ptzd.cli.output import Misuse, say, say_json
from ptzd.cli.sentences import capital
from ptzd.visca import AxisScale, Dialect, DialectError, dialect_named, dialect_names

ORDERS = {"two-speed": "a speed for each axis", "shared-speed": "one speed for both"}
RENEWAL = {
    "smooth": "it goes on smoothly to the new place",
    "stops": "it comes to rest first",
    "refused": "it is refused",
    "unknown": "no document tells; `ptzd learn` finds out",
}


@click.command(
    short_help="Show the families of heads that are known.",
    epilog="Example: ptzd dialects nibble4-51",
)
@click.argument("names", metavar="[NAME]...", nargs=-1)
@click.option("--json", "as_json", is_flag=True, help="Print all figures as JSON.")
def dialects(names: tuple[str, ...], as_json: bool) -> None:
    """Show the dialects that come with ptzd in a table or, for each NAME, all that one says and where that is from.

    A NAME may be a dialect's .toml file, too. `ptzd find` tells which of them a camera fits.
    """
    try:
        shown = [dialect_named(name) for name in names or dialect_names()]
    except DialectError as error:
        raise Misuse(f"{capital(error)}.") from None
    if as_json:
        say_json([_as_json(each) for each in shown])
    elif names:
        for number, each in enumerate(shown):
            if number:
                say("")
            say(*_in_words(each))
    else:
        headings = ("dialect", "counts/°", "pan", "tilt", "steps", "orders with")
        print_table(headings, [_row(each) for each in shown], whole=headings)
        say("`ptzd dialects NAME` tells all of one; `ptzd find ADDRESS` which of them a camera fits.")


def _row(dialect: Dialect) -> tuple[str, ...]:
    pan, tilt = dialect.pan, dialect.tilt
    steps = f"{pan.fastest_step}, {tilt.fastest_step}"
    per_degree = f"{pan.counts_per_degree:.4g}"
    if tilt.counts_per_degree != pan.counts_per_degree:
        per_degree += f", {tilt.counts_per_degree:.4g}"
    speeds = "two speeds" if dialect.absolute == "two-speed" else "one speed"
    field = ", wide pan" if dialect.pan_nibbles == 5 else ""
    return dialect.name, per_degree, _reach(pan), _reach(tilt), steps, f"{speeds}{field}"


def _reach(scale: AxisScale) -> str:
    return "{:.0f}° to {:.0f}°".format(*scale.reach_deg)


def _in_words(dialect: Dialect) -> Iterator[str]:
    yield f"{dialect.name}: {dialect.label}"
    for axis, scale, nibbles in (("pan", dialect.pan, dialect.pan_nibbles), ("tilt", dialect.tilt, 4)):
        least, most = (_on_the_wire(counts, nibbles) for counts in (scale.least_counts, scale.most_counts))
        yield f"  {axis}: {scale.counts_per_degree:.6g} counts a degree, {_reach(scale)}: {least} to {most}"
        steps = " ".join(f"{speed:g}" for speed in scale.steps_deg_per_s)
        yield f"    steps 1 to {scale.fastest_step} in degrees a second: {steps}"
        yield f"    from: {scale.steps_source}"
    zoom = ", ".join(f"×{ratio:g} {counts:04X}" for ratio, counts in dialect.zoom.ratios)
    yield f"  zoom: {dialect.zoom.wide_counts:04X} wide to {dialect.zoom.tele_counts:04X} tele; {zoom}"
    yield f"    from: {dialect.zoom.ratios_source}"
    focus = ", ".join(f"{_metres(each)} {counts:04X}" for each, counts in dialect.focus.distances)
    yield f"  focus: {dialect.focus.least_counts:04X} far to {dialect.focus.most_counts:04X} near; {focus}"
    yield f"    from: {dialect.focus.distances_source}"
    yield f"  orders: an absolute move has {ORDERS[dialect.absolute]}; its pan has {dialect.pan_nibbles} nibbles"
    yield f"  a new order in mid-move: {RENEWAL[dialect.renewal]}"
    has = {"limits of its own": dialect.limits, "a slow mode": dialect.slow_mode}
    yield (
        f"  has: {', '.join(each for each, there in has.items() if there) or 'no limits of its own, no slow mode'}; "
        + (f"{dialect.ramp_curves} ramp curves" if dialect.ramp_curves else "no ramp curves to choose from")
    )
    yield f"  sources: {'; '.join(dialect.sources)}"


def _on_the_wire(counts: int, nibbles: int) -> str:
    return f"{counts} ({counts % 16**nibbles:0{nibbles}X})"


def _metres(distance: float) -> str:
    return "∞" if isinf(distance) else f"{distance:g} m"


def _as_json(dialect: Dialect) -> dict[str, Any]:
    figures = dialect.model_dump(mode="json")
    # JSON knows no infinity: a distance that has no end is null
    figures["focus"]["distances"] = [[None if isinf(each) else each, at] for each, at in dialect.focus.distances]
    return figures
