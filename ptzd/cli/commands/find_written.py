"""A configuration of what was found, as a person goes on with it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from ptzd.links import SerialAddress
from ptzd.visca import Dialect

from .find_camera import Found

HEAD = """\
# Written by `ptzd find` on {date}. Go through it before anything moves: what stands behind a # nobody can ask a camera.
# `ptzd schema config` tells every setting; `ptzd check --config {name}` looks at all of it, and moves nothing.

[broker]
host = "127.0.0.1"                    # where the MQTT broker runs
port = 1883

[store]
path = "{store}"                      # made at the first start

# [tally]
# source = "none"                     # only where nobody tells which camera is on air
"""
TO_FILL_IN = """\
# label = "On the front of the gallery"
# sensor = [35.9, 24.0]               # width and height in mm, as the camera's manual has it
# focal_length = [100, 400]           # in mm, or a table [[zoom counts, mm], ...]
# overhead = true                     # if it hangs over people
# window = { pan_deg = [-60, 60], tilt_deg = [-15, 30] }  # between which angles it may turn
# mount = "balcony-rail"              # if it stands on no tripod
"""


def configuration(
    found: Sequence[tuple[str, Found, Sequence[Dialect]]], files: Mapping[str, Path], *, name: str, date: datetime
) -> str:
    """Return the text. `found` has each camera's name and the dialects that it fits.

    `files` are those of dialects that do not come with ptzd, by their names; `name` is the text's own file.
    """
    on_port = Counter(each.address.device for _, each, _ in found if isinstance(each.address, SerialAddress))
    parts = [HEAD.format(date=date.strftime("%Y-%m-%d"), name=name, store=f"{name.rpartition('.')[0] or name}.db")]
    for camera, each, fitting in found:
        address = each.address
        if isinstance(address, SerialAddress):  # so that none is moved where another number answers
            address = replace(address, cameras=max(on_port[address.device], address.place))
        lines = [f"[camera.{camera}]", f"link = {_quoted(str(address))}"]
        if fitting:
            own = fitting[0].name
            lines.append(f"dialect = {_quoted(str(files.get(own, own)))}  # {each.sureness(fitting)}")
        if each.version is not None:
            told = {"vendor": each.version.vendor, "model": each.version.model, "rom": each.version.rom}
            expects = ", ".join(f'{what} = "{number:04X}"' for what, number in told.items())
            lines.append(f"expects = {{ {expects} }}  # so that a check tells another camera in its place")
        if not fitting:
            why = f"# It {each.sureness(fitting)}, so nobody knows its dialect: see `ptzd dialects`, or look again."
            lines = [why, *(f"# {line}" for line in (*lines, 'dialect = "..."'))]
        parts.append("\n".join(lines) + "\n" + TO_FILL_IN)
    return "\n".join(parts)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)  # a TOML string of one line is written alike
