"""What a rehearsal tells of drawn shows is what a slow reckoning finds, and every remedy that it prints helps."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import replace

import pytest
from drawn_shows import compared, drawn, play
from slow_reckoning import Reckoning, run

from ptzd.files import changed, edited, read_show_text
from ptzd.rehearsal import rehearse

SEEDS = range(1001, 1031)


@pytest.mark.parametrize("seed", SEEDS)
def test_no_conflict_is_missed_none_is_false_and_every_remedy_helps(seed: int) -> None:
    assert play(seed).wrongs == []


@pytest.mark.parametrize(
    ("way", "speed", "acceleration", "seconds", "peak"),
    [(90.0, 60.0, 120.0, 2.0, 60.0), (12.0, 60.0, 120.0, 0.632, 37.9), (30.0, 5.0, 120.0, 6.042, 5.0)],
)
def test_a_head_that_runs_in_plain_steps_takes_as_long_as_the_handbook_says(
    way: float, speed: float, acceleration: float, seconds: float, peak: float
) -> None:
    """Any machine-design handbook: d/v + v/a, or 2·sqrt(d/a) where d is less than v²/a."""
    assert run(way, speed, acceleration) == pytest.approx((seconds, peak), rel=0.02, abs=0.002)


def test_the_reckoning_notices_a_rehearsal_with_other_heads() -> None:
    """Heads that take a tenth of a second longer, each: neither shows nor cameras are the same otherwise."""
    noticed: Counter[str] = Counter()
    for seed in SEEDS[:12]:
        text, cameras = drawn(seed)
        show = read_show_text(text)
        slower = {
            name: replace(
                camera,
                settings=replace(
                    camera.settings,
                    head=replace(camera.settings.head, latency_seconds=camera.settings.head.latency_seconds + 0.1),
                ),
            )
            for name, camera in cameras.items()
        }
        for these, reckoned, word in ((slower, cameras, "false"), (cameras, slower, "missed")):
            noticed.update(told.split(":")[0] for told in compared(rehearse(show, these), Reckoning(show, reckoned)))
            assert noticed[word] or seed < SEEDS[11]


WRITTEN = re.compile(r"^(earliest|latest|speed|seconds) = (\S+)", re.MULTILINE)


def test_a_show_is_changed_as_its_text_is_and_what_the_author_wrote_never_goes_in_silence() -> None:
    tried = 0
    for seed in SEEDS[:20]:
        text, cameras = drawn(seed)
        show = read_show_text(text)
        for conflict in rehearse(show, cameras).conflicts:
            for kind, count in Counter(remedy.kind for remedy in conflict.remedies).items():
                assert count <= {"other-camera": 3, "by-hand": 2}.get(kind, 1), "nobody chooses among more"
            for remedy in conflict.remedies:
                if remedy.changes:
                    tried += 1
                    after = edited(text, remedy.changes)
                    assert changed(show, remedy.changes) == read_show_text(after)
                    for field, value in Counter(WRITTEN.findall(text)) - Counter(WRITTEN.findall(after)):
                        assert field != "latest"
                        assert f"{field} = {float(value):g}" in remedy.sentence
    assert tried > 20
