"""Where a show stands in its cues, and what came of a cue, put into lines that people read."""

from __future__ import annotations

from .client import Payload
from .sentences import move_line

CUE_STATE = "cue/state"


def state_lines(state: Payload) -> list[str]:
    """Return where a show stands in lines that people read: the cues, then each camera that is not ready."""
    standing, following = state.get("standing"), state.get("next")
    first = f"standing at {_words(standing)}" if standing else "before the first cue"
    first += f"; next is {_words(following)}" if following else "; that was the last"
    if following and following.get("take"):
        first += f", which takes {following['take']}"
    if state.get("held"):
        first += "; on hold"
    elif state.get("standby"):
        first += "; in standby" + (", all ready" if state.get("ready") else "")
    return [f"{state.get('show', '?')}: {first}", *(f"  not ready: {one['sentence']}" for one in state["not_ready"])]


def go_lines(result: Payload) -> list[str]:
    """Return what a standby or a go did, in lines: what left, and what did not."""
    lines = [move_line(one["camera"], {"phase": "accepted", **one}) for one in result.get("started") or ()]
    lines += [str(one["sentence"]) for which in ("refused", "overtaken") for one in result.get(which) or ()]
    if result.get("counted") is False:
        lines.append(f"this go came right after that of cue {result['cue']['number']} and did not count")
    return lines


def places_lines(result: Payload) -> list[str]:
    """Return what became of each camera that was to go to its place, in lines."""
    return [
        *(f"{one['camera']} is sent to {one['position']}" for one in result.get("sent") or ()),
        *(f"{one['camera']} stands in {one['position']}" for one in result.get("standing") or ()),
        *(str(one["sentence"]) for one in result.get("not_sent") or ()),
    ]


def _words(cue: Payload) -> str:
    label = f" ({cue['label']})" if cue.get("label") else ""
    return f"{cue['number']}{label}"
