"""A head that is configured as one of another dialect is found out by what it tells, and nothing moves for that.

The widths of the pan field and the fastest steps are those of the documents named in the dialects' files.
"""

from __future__ import annotations

import asyncio
import random
from itertools import product

import pytest
from ptzsim import serve_memory, virtual_time
from rigs import simulated_camera

from ptzd.cli.commands.check_camera import question
from ptzd.cli.commands.check_dialect import Told
from ptzd.cli.commands.check_findings import Finding, Notes
from ptzd.links import memory_pair
from ptzd.visca import FastestSpeeds, dialect_names, load_dialect

ALIKE = {"nibble4-51", "shared4-51"}  # only the form of their absolute orders differs, which no question tells


def findings(head: str, configured: str) -> list[Finding]:
    notes = Notes("camera left")

    async def ask() -> None:
        rng = random.Random(1)
        dialect = load_dialect(head)
        camera = simulated_camera(dialect, rng)
        ours, theirs = memory_pair(rng=rng)
        serving = asyncio.create_task(serve_memory(camera, theirs))
        await question(ours, load_dialect(configured), None, 0.1, notes)
        assert camera.head.pan_deg(asyncio.get_running_loop().time()) == pytest.approx(0.0, abs=0.1)
        serving.cancel()

    virtual_time.run(ask())
    return notes.findings


@pytest.mark.parametrize(("head", "configured"), list(product(dialect_names(), repeat=2)))
def test_a_head_of_another_dialect_is_told_with_the_one_that_it_has(head: str, configured: str) -> None:
    failed = [finding.sentence for finding in findings(head, configured) if finding.state == "failed"]
    if head == configured or {head, configured} == ALIKE:
        assert failed == []
        return
    [sentence] = failed
    named, _, fitting = sentence.partition("; what it tells fits ")
    assert named.startswith(f"is no head of the dialect {configured}: ")
    assert set(fitting.removesuffix(", so write that").split(" or ")) == (ALIKE if head in ALIKE else {head})


def test_where_no_question_tells_two_dialects_apart_that_is_said() -> None:
    assert any("fits shared4-51 as well" in finding.sentence for finding in findings("nibble4-51", "nibble4-51"))
    assert not any("as well" in finding.sentence for finding in findings("nibble4-45", "nibble4-45"))


def test_a_head_that_none_of_them_fits_is_told_as_that() -> None:
    told = Told(bytes(10), FastestSpeeds(9, 9))
    for name in dialect_names():
        assert list(told.others(load_dialect(name))) == []
        assert "10 nibbles" in (told.unlike(load_dialect(name)) or "")


def test_a_head_that_stands_where_one_of_its_dialect_could_not_is_of_another() -> None:
    far = Told(bytes((1, 14, 1, 11, 0, 0, 0, 0)), None)  # 1E1B, +170 degrees of nibble4-45
    assert "out of this head's reach" in (far.unlike(load_dialect("nibble4-14")) or "")
    assert list(far.others(load_dialect("nibble4-14"))) == ["nibble4-45", "nibble4-51", "shared4-51"]


@pytest.mark.parametrize(("seconds", "told"), [(5.0, ["is still starting up"]), (60.0, [])])
def test_a_camera_that_restarts_is_ready_when_its_sweep_has_ended(seconds: float, told: list[str]) -> None:
    notes = Notes("camera left")

    async def ask() -> None:
        rng, now = random.Random(1), asyncio.get_running_loop().time
        dialect = load_dialect("nibble4-51")
        camera = simulated_camera(dialect, rng)
        ours, theirs = memory_pair(rng=rng)
        serving = asyncio.create_task(serve_memory(camera, theirs))
        camera.power_cut(now())
        await asyncio.sleep(seconds)
        await question(ours, dialect, None, 0.1, notes)
        serving.cancel()

    virtual_time.run(ask())
    failed = [finding.sentence for finding in notes.findings if finding.state == "failed"]
    assert [sentence.partition(";")[0] for sentence in failed] == told
