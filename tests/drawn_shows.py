"""Shows drawn at random, rehearsed, and held to a slow reckoning that shares nothing with the rehearsal.

- What is told is what the reckoning finds, and the other way round: no conflict is missed, and none is false.
- Every remedy that is printed helps: it is carried out by the words of its sentence, or by the changes that come with
  it, and the changed show is reckoned anew: its conflict is gone, and no other has come.
- Of moves that are said to fit, less than one in a hundred is late where heads are drawn from the range.

Whatever lies within two steps of 10 ms of an edge is counted, and left out. To play all of it:

    .venv/bin/python tests/drawn_shows.py --shows 300
"""

from __future__ import annotations

import argparse
import random
import re
import sys
import time
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from math import exp

from slow_reckoning import Reckoning, Told, direct

from ptzd.cameras import CameraSettings, Lock, within_reach
from ptzd.files import Change, clock_of_seconds, cue_times, edited, read_show_text
from ptzd.line import Framing, Tolerance
from ptzd.motion import AxisModel, HeadModel, SettleModel, Spread, ZoomModel
from ptzd.positions import StoredPosition
from ptzd.rehearsal import Conflict, Rehearsal, RehearsedCamera, rehearse
from ptzd.rehearsal.rehearsed import Remedy
from ptzd.visca import load_dialect

DIALECT = load_dialect("nibble4-51")
THEN = datetime(2031, 5, 24, 19, 30, tzinfo=UTC)
STEPS = (0.1, 0.3, 1.0, 2.0, 3.5, 5.0, 8.0, 12.0, 17.0, 23.0, 30.0, 38.0, 47.0, 57.0, 68.0, 80.0)  # °/s
DRIVES = (400.0, 600.0, 900.0, 1300.0, 1900.0, 2700.0, 3900.0, 5500.0)  # counts/s
PANS = {"door": 30, "piano": -60, "post": 90, "beam": 8, "arch": -110, "far": 171}  # degrees; nobody reaches far
TILTS = {"door": (10, 0), "piano": (40, 4000), "post": (-15, 9000), "beam": (0, 14000), "arch": (70, 0)}  # and counts
PANNED, TILTED = ("left", "right"), "gallery"
HEADS_DRAWN = 5  # for each move that is said to fit


@dataclass
class Played:
    """What came of one show."""

    seed: int
    wrongs: list[str]
    counts: Counter[str]


def drawn_head(rng: random.Random) -> HeadModel:
    """Draw a head with every figure and every doubt of its own."""

    def axis() -> AxisModel:
        speed = rng.uniform(0.7, 1.3)
        return AxisModel(tuple(step * speed for step in STEPS), rng.uniform(40.0, 200.0))

    doubt = rng.choice((0.0, 0.3, 1.0))
    return HeadModel(
        pan=axis(),
        tilt=axis(),
        zoom=ZoomModel(rng.uniform(2500.0, 7000.0), DRIVES, rng.uniform(8000.0, 30000.0)),
        focus_counts_per_s=20000.0,
        latency_seconds=rng.uniform(0.02, 0.2),
        settle=SettleModel(
            rng.uniform(0.2, 0.6), rng.uniform(0.0, 0.002), rng.uniform(0.05, 0.1), rng.uniform(6.0, 40.0), 0.05
        ),
        origin=rng.choice(("learned", "published")),
        spread=Spread(*(doubt * rng.uniform(0.01, most) for most in (0.08, 0.3, 0.3, 0.5, 0.5))),
        lens_delay_seconds=rng.choice((0.0, 0.1)),
    )


def drawn_cameras(rng: random.Random) -> dict[str, RehearsedCamera]:
    """Draw three cameras: two that pan, and may do so on air, and one that tilts and zooms."""
    cameras = {}
    for name in (*PANNED, TILTED):
        places = {place: (float(pan), 0.0, 0) for place, pan in PANS.items()}
        if name == TILTED:
            places = {place: (0.0, float(tilt), zoom) for place, (tilt, zoom) in TILTS.items()}
        settings = CameraSettings(
            name=name,
            dialect=DIALECT,
            head=drawn_head(rng),
            speed=rng.randint(8, 16),
            tolerance=Tolerance(),
            on_air_moves=rng.choice(("allow", "ask", "ask", "refuse")),
        )
        positions = {
            place: StoredPosition(
                name,
                place,
                Framing(DIALECT.pan.counts(pan), DIALECT.tilt.counts(tilt), zoom, 0x2000, "auto"),
                DIALECT.name,
                speed=None,
                seconds=None,
                note="",
                stored_at=THEN,
            )
            for place, (pan, tilt, zoom) in places.items()
        }
        locks = (Lock("the rigger", "rigging", THEN),) if rng.random() < 0.1 else ()
        cameras[name] = RehearsedCamera(settings, positions, locks=locks)
    return cameras


def drawn_show(rng: random.Random) -> str:
    """Draw a show of up to fourteen cues."""
    start = {name: rng.choice(_places(name)) for name in (*PANNED, TILTED) if rng.random() < 0.85}
    stands = ", ".join(f'{name} = "{place}"' for name, place in start.items())
    lines = ['[show]\nname = "drawn"', f"start = {{ {stands} }}"]
    on_air = rng.choice((*PANNED, TILTED, None))
    if on_air:
        lines.append(f'on_air = "{on_air}"')
    pace = rng.choice((3.0, 6.0, 12.0))
    now = 0.0
    for number in range(1, rng.randint(4, 14) + 1):
        gap = round(rng.uniform(0.3, 2.0) * pace, 1)
        now = round(now + gap, 1)
        when = rng.choices(
            (f"after = {gap}", f"on_call = true\nexpected = {gap}", f'at = "{clock_of_seconds(now)}"'), (5, 3, 1)
        )[0]
        lines.append(f"\n[[cue]]\nnumber = {number}\n{when}")
        if rng.random() < 0.6:
            lines.append(f'take = "{rng.choice((*PANNED, TILTED))}"')
        if rng.random() < 0.02:
            lines.append(f'switch_on = ["{rng.choice((*PANNED, TILTED))}"]')
        for camera in (*PANNED, TILTED):
            if rng.random() < 0.35:
                lines += [*_off_air(camera, gap, rng)]
            if camera != TILTED and rng.random() < 0.12:
                lines += [*_on_air(camera, rng)]
    return "\n".join(lines) + "\n"


def _places(camera: str) -> list[str]:
    return [*TILTS] if camera == TILTED else [place for place in PANS if place != "far"]


def _off_air(camera: str, gap: float, rng: random.Random) -> Iterator[str]:
    place = "far" if camera != TILTED and rng.random() < 0.02 else rng.choice(_places(camera))
    yield f'[[cue.move]]\ncamera = "{camera}"\nposition = "{place}"'
    earliest = round(rng.uniform(0.1, 1.3) * gap, 1)
    latest = round(rng.uniform(0.0, 0.5) * earliest, 1)
    if rng.random() < 0.2:
        yield f"earliest = {-earliest}"
    if rng.random() < 0.2 and latest < earliest:
        yield f"latest = {-latest}"
    if rng.random() < 0.3:
        yield f"speed = {rng.randint(5, 16)}"
    if rng.random() < 0.4:
        yield "spare = true"


def _on_air(camera: str, rng: random.Random) -> Iterator[str]:
    seconds = rng.uniform(6.0, 25.0)
    yield f'[[cue.move]]\ncamera = "{camera}"\nposition = "{rng.choice(_places(camera))}"\non_air = true'
    yield f"seconds = {seconds:.1f}"
    if rng.random() < 0.2:
        yield f"latest = {rng.uniform(0.7, 2.0) * seconds:.1f}"


def key(conflict: Conflict) -> Told:
    """What is told, in the reckoning's words."""
    return conflict.kind, conflict.camera, -1.0 if conflict.kind == "locked" else conflict.cue_number


def _alike(told: Told) -> Told:
    """What is no longer late but tight is still not in time."""
    return ("late" if told[0] in ("taken-unsettled", "tight", "overlap") else told[0], *told[1:])


def drawn(seed: int) -> tuple[str, dict[str, RehearsedCamera]]:
    """Draw a show and its cameras."""
    rng = random.Random(f"show {seed}")
    cameras = drawn_cameras(rng)
    return drawn_show(rng), cameras


def compared(rehearsal: Rehearsal, reckoning: Reckoning) -> list[str]:
    """What a rehearsal has missed, and what it tells falsely."""
    told = Counter(map(key, rehearsal.conflicts))
    return [
        f"{word}: {each}"
        for word, these in (("missed", reckoning.told - told), ("false", told - reckoning.told))
        for each in these
        if each[1:] not in reckoning.blurred
    ]


def play(seed: int) -> Played:
    """Draw a show, and hold its rehearsal to the reckoning."""
    text, cameras = drawn(seed)
    rehearsal, reckoning = rehearse(read_show_text(text), cameras), Reckoning(read_show_text(text), cameras)
    played = Played(seed, compared(rehearsal, reckoning), Counter(shows=1, moves=len(rehearsal.moves)))
    blurred = sum(key(conflict)[1:] in reckoning.blurred for conflict in rehearsal.conflicts)
    played.counts += Counter(conflicts=len(rehearsal.conflicts) - blurred, blurred=blurred)
    played.counts.update(wrong.split(":")[0] for wrong in played.wrongs)
    for conflict in rehearsal.conflicts:
        played.counts["without a remedy"] += not conflict.remedies
        for remedy in conflict.remedies:
            _try(played, text, cameras, reckoning, conflict, remedy)
    _let_heads_be_late(played, rehearsal, reckoning, cameras)
    return played


def _try(
    played: Played,
    text: str,
    cameras: Mapping[str, RehearsedCamera],
    before: Reckoning,
    conflict: Conflict,
    remedy: Remedy,
) -> None:
    """Carry out what a remedy says, and reckon the show anew."""
    changed, others = carried_out(text, cameras, conflict, remedy)
    after = Reckoning(read_show_text(changed), others)
    played.counts[f"remedies: {remedy.kind}"] += 1
    blurred = before.blurred | after.blurred
    was, now = (Counter(map(_alike, told.told.elements())) for told in (before, after))
    new = [each for each in now - was if each[1:] not in blurred]
    mine = _alike(key(conflict))
    stays = now[mine] >= was[mine] and mine[1:] not in blurred
    if new or stays:
        played.counts["remedies that don't help"] += 1
        played.wrongs.append(f"{conflict.sentence} - {remedy.sentence} - {'it stays' if stays else f'new: {new}'}")


def carried_out(
    text: str, cameras: Mapping[str, RehearsedCamera], conflict: Conflict, remedy: Remedy
) -> tuple[str, Mapping[str, RehearsedCamera]]:
    """Return show and cameras as somebody leaves them who does what a remedy's sentence says."""
    if remedy.changes:
        return edited(text, remedy.changes), cameras
    show, said, camera = read_show_text(text), remedy.sentence, cameras[conflict.camera]
    if found := re.search(r"cue (\S+) must come (\S+) s after", said):
        cue = show.cue_index(float(found[1]))
        field = "expected" if show.cue[cue].on_call else "after"
        value: float | str = float(found[2])
        if show.cue[cue].at is not None:
            before = cue_times(show)[cue - 1].at_seconds if cue else 0.0
            field, value = "at", clock_of_seconds(before + float(found[2]))
        return edited(text, [Change(cue, None, field, value)]), cameras
    if found := re.search(r"take (\S+) on (\S+), say so: spare = true in that move of cue (\S+);", said):
        cue = show.cue_index(float(found[3]))
        meant = [i for i, m in enumerate(show.cue[cue].move) if (m.camera, m.position) == (found[1], found[2])]
        return edited(text, [Change(cue, move, "spare", True) for move in meant]), cameras
    own = [i for i, m in enumerate(show.cue[conflict.cue_index].move) if m.camera == conflict.camera]
    if "on_air = true in that move" in said:
        [move] = [i for i in own if not show.cue[conflict.cue_index].move[i].on_air]
        return edited(text, [Change(conflict.cue_index, move, "on_air", True)]), cameras
    if "make this move off air" in said:
        [move] = [i for i in own if show.cue[conflict.cue_index].move[i].on_air]
        return edited(text, [Change(conflict.cue_index, move, "on_air", None)]), cameras
    if found := re.search(r"pause off air: let (\S+) be taken in cue (\S+)", said):
        return edited(text, [Change(show.cue_index(float(found[2])), None, "take", found[1])]), cameras
    if found := re.search(r"take it out of switch_on in cue (\S+)", said):
        parts = text.split("[[cue]]")
        place = show.cue_index(float(found[1])) + 1
        parts[place] = re.sub(r"switch_on = .*\n", "", parts[place])
        return "[[cue]]".join(parts), cameras
    if said.startswith("unlock "):
        return text, {**cameras, conflict.camera: replace(camera, locks=())}
    if said.startswith("allow it: on_air_moves"):
        allowed = replace(camera, settings=replace(camera.settings, on_air_moves="ask"))
        return text, {**cameras, conflict.camera: allowed}
    if found := re.search(r"frame (\S+) anew", said):
        stored = camera.positions[found[1]]
        nearest = replace(stored, framing=within_reach(camera.settings, stored.framing))
        return text, {**cameras, conflict.camera: replace(camera, positions={**camera.positions, found[1]: nearest})}
    raise AssertionError(f"nobody here knows how to do this: {said}")


def _let_heads_be_late(
    played: Played,
    rehearsal: Rehearsal,
    reckoning: Reckoning,
    cameras: Mapping[str, RehearsedCamera],
) -> None:
    """Make each move that is said to fit with heads drawn from what is doubtful of its own."""
    rng = random.Random(f"heads {played.seed}")
    for move in rehearsal.moves:
        if move.fit != "fits" or move.due_seconds is None or not move.needed_seconds or move.way != "direct":
            continue
        written = reckoning.show.cue[move.cue_index].move[move.move_index]
        if move.from_position is None or written.seconds is not None:
            continue
        from_, to = (reckoning.pose(move.camera, place) for place in (move.from_position, move.position))
        settings = cameras[move.camera].settings
        for _ in range(HEADS_DRAWN):
            head = of_the_range(settings.head, rng)
            needs = direct(head, from_, to, written.speed or settings.speed).likely
            played.counts["fits, made"] += 1
            played.counts["fits, late"] += needs > move.due_seconds - move.start_seconds + 1e-6


def of_the_range(head: HeadModel, rng: random.Random) -> HeadModel:
    """Draw a head whose every figure is off by a log-normal factor, as its own doubts say."""
    spread = head.spread

    def off(deviation: float) -> float:
        return exp(rng.gauss(0.0, deviation))

    def axis(model: AxisModel) -> AxisModel:
        speed = off(spread.speed)
        return AxisModel(
            tuple(step * speed for step in model.steps_deg_per_s),
            model.acceleration_deg_per_s2 * off(spread.acceleration),
        )

    # The swing's time is what is doubtful of it: a tolerance reached later or sooner by slower or faster swings.
    settle = replace(
        head.settle,
        base_seconds=head.settle.base_seconds * off(spread.settling),
        natural_rad_per_s=head.settle.natural_rad_per_s / off(spread.settling),
    )
    zoom = replace(head.zoom, direct_counts_per_s=head.zoom.direct_counts_per_s * off(spread.lens))
    return replace(
        head,
        pan=axis(head.pan),
        tilt=axis(head.tilt),
        zoom=zoom,
        settle=settle,
        latency_seconds=head.latency_seconds * off(spread.latency),
    )


def main() -> int:
    parser = argparse.ArgumentParser(description="Rehearse drawn shows, and say what was told wrongly of them.")
    parser.add_argument("--shows", type=int, default=300)
    parser.add_argument("--first", type=int, default=1, help="the seed of the first; the others follow")
    parser.add_argument("--processes", type=int, default=1)
    parser.add_argument("--tell", action="store_true", help="print each show")
    asked = parser.parse_args()
    began = time.time()
    counts: Counter[str] = Counter()
    wrong = 0
    with ProcessPoolExecutor(asked.processes) as processes:
        for played in processes.map(play, range(asked.first, asked.first + asked.shows)):
            if asked.tell:
                print(drawn(played.seed)[0])
            counts += played.counts
            wrong += len(played.wrongs)
            for sentence in played.wrongs:
                print(f"show {played.seed}: {sentence}", flush=True)
    for name, count in sorted(counts.items()):
        print(f"{count:7} {name}")
    late = counts["fits, late"] / max(1, counts["fits, made"])
    print(f"{100 * late:6.2f} % of moves that are said to fit came late; {time.time() - began:.0f} s")
    return 1 if wrong or late >= 0.01 else 0


if __name__ == "__main__":
    sys.exit(main())
