"""What the daemon reports, put into lines that people read."""

from __future__ import annotations

from typing import Any

Payload = dict[str, Any]


def move_line(camera: str, report: Payload) -> str:
    """Return one line on one phase of one move."""
    position = report.get("position") or "its new framing"
    predicted, measured = report.get("predicted_seconds"), report.get("measured_seconds")
    match report.get("phase"):
        case "accepted":
            about = f", about {predicted:.1f} s" if predicted is not None else ""
            if (least := report.get("least_seconds")) is not None and (most := report.get("most_seconds")) is not None:
                doubt = ", not measured" if report.get("head_measured") is False else ""
                about += f" ({least:.1f} to {most:.1f}{doubt})"
            warning = report.get("warning")
            return f"{camera} goes to {position}{about}{f'; {warning}' if warning else ''}"
        case "settled":
            took = f" after {measured:.2f} s" if measured is not None else ""
            promised = f" (predicted {predicted:.2f} s)" if predicted is not None else ""
            return f"{camera} settled on {position}{took}{promised}{landing_words(report.get('landing'))}"
        case "slewing" | "settling" as phase:
            return f"{camera} is {phase} towards {position}"
        case phase:
            way = "to go to" if phase == "refused" else "on its way to"
            why = (report.get("sentence") or "").removeprefix(f"camera {camera} to {position}: ")
            return f"{camera} {phase} {way} {position}{f': {why}' if why else ''}"


def capital(text: object) -> str:
    """Return a text that begins as a sentence does."""
    words = str(text)
    return f"{words[:1].upper()}{words[1:]}"


def landing_words(landing: Payload | None) -> str:
    """Return how far off a move landed, as the end of a sentence; empty where it is not known."""
    if landing is None:
        return ""
    counts = {axis: int(landing.get(f"{axis}_counts") or 0) for axis in ("pan", "tilt", "zoom", "focus")}
    off = [f"{axis} {count:+d}" for axis, count in counts.items() if count]
    if not off:
        return ", exactly there"
    return f", off by {', '.join(off)} count{'' if worst_counts(landing) == len(off) == 1 else 's'}"


def lock_lines(state: Payload) -> list[str]:
    """Return a line on each of those who keep a camera still."""
    return [
        f"locked by {lock.get('by') or 'somebody'}: {lock.get('reason') or 'no reason given'}"
        + ("" if lock.get("kept", True) else "; the disk has not taken it, so a restart of the daemon would lose it")
        for lock in state.get("locks") or ()
    ]


def duration(seconds: float) -> str:
    """Return so many seconds as people say them."""
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s" if minutes else f"{rest} s"


def worst_counts(landing: Payload | None) -> int:
    """Return the largest landing error of all axes, in counts."""
    if landing is None:
        return 0
    return max(abs(int(landing.get(f"{axis}_counts") or 0)) for axis in ("pan", "tilt", "zoom", "focus"))


def state_lines(state: Payload) -> list[str]:
    """Return where a show stands in lines that people read: the cues, who is not ready, and who is still to leave."""
    standing, following = state.get("standing"), state.get("next")
    first = f"standing at {_cue_words(standing)}" if standing else "before the first cue"
    first += f"; next is {_cue_words(following)}" if following else "; that was the last"
    if following and following.get("take"):
        first += f", which takes {following['take']}"
    if state.get("held"):
        first += "; on hold"
    elif state.get("standby"):
        first += "; in standby" + (", all ready" if state.get("ready") else "")
    lines = [f"{state.get('show', '?')}: {first}", *(f"  not ready: {one['sentence']}" for one in state["not_ready"])]
    told = {one["sentence"] for one in state["not_ready"]}
    return [*lines, *(f"  {one['sentence']}" for one in state.get("waiting") or () if one["sentence"] not in told)]


def go_lines(result: Payload) -> list[str]:
    """Return what a standby or a go did, in lines: what left, and what did not."""
    lines = [move_line(one["camera"], {"phase": "accepted", **one}) for one in result.get("started") or ()]
    lines += [str(one["sentence"]) for which in ("refused", "overtaken", "unready") for one in result.get(which) or ()]
    if result.get("counted") is False:
        lines.append(f"this go came right after that of cue {result['cue']['number']} and did not count")
    return lines


def amiss(result: Payload) -> list[str]:
    """Return who did not do its part in a `go`, or was seen and not ready for it, a sentence each."""
    left_behind = [one for one in result.get("overtaken") or () if one["code"] == "left-behind"]
    return [
        str(one["sentence"]) for one in (*(result.get("refused") or ()), *left_behind, *(result.get("unready") or ()))
    ]


def places_lines(result: Payload) -> list[str]:
    """Return what became of each camera that was to go to its place, in lines."""
    return [
        *(f"{one['camera']} is sent to {one['position']}" for one in result.get("sent") or ()),
        *(f"{one['camera']} stands in {one['position']}" for one in result.get("standing") or ()),
        *(str(one["sentence"]) for one in result.get("not_sent") or ()),
    ]


def warning_lines(result: Payload) -> list[str]:
    """Return what is in doubt though it was done, a sentence each."""
    return [f"{capital(warning)}." for warning in result.get("warnings") or ()]


def _cue_words(cue: Payload) -> str:
    label = f" ({cue['label']})" if cue.get("label") else ""
    return f"{cue['number']}{label}"
