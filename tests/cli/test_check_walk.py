"""The walk before doors: whatever is wrong with one camera is found, of a good one nothing is said; a sheet to sign.

That 0F 01 is what a camera says to a number out of order, and that it keeps one count for all: SRG-300H technical
manual, "VISCA over IP". A4 is 210 mm wide and 297 high (ISO 216).
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import re
import subprocess
from collections.abc import AsyncIterator, Callable, Coroutine, Set
from contextlib import AsyncExitStack, asynccontextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import aiomqtt
import html5lib
import pytest
from brokers import required
from commands import OnATerminal, Ptzd, StandInFor
from ptzsim import serve_udp, virtual_time
from ptzsim.camera import SimulatedCamera
from ptzsim.fleet import CameraPlan
from ptzsim.picture_server import serve_pictures
from ptzsim.serving import serve_bare, serve_memory
from rigs import CutLink

from ptzd import links
from ptzd.cameras.overheard import Overheard
from ptzd.cli.commands.check import CAUTIONS
from ptzd.cli.commands.check_bus import tell_of_state
from ptzd.cli.commands.check_camera import ASKED, question, tell_of_others
from ptzd.cli.commands.check_findings import Finding, Notes
from ptzd.cli.commands.check_sheet import sheet
from ptzd.config import ExpectsConfig
from ptzd.line import Line, LineDown, PushedAside
from ptzd.links import Form, Link, LinkAddress, memory_pair
from ptzd.positions import PositionStore
from ptzd.visca import (
    Command,
    DigitalZoomInquiry,
    DigitalZoomOn,
    ErrorCode,
    FastestSpeedsInquiry,
    FocusAuto,
    FocusManual,
    FocusNear,
    Packet,
    PanTiltDrive,
    PanTiltRelative,
    PanTiltStatusInquiry,
    PayloadType,
    PowerInquiry,
    PowerStandby,
    VersionInquiry,
    ZoomInquiry,
    ZoomTele,
    dialect_names,
    load_dialect,
)

AS_IT_IS = ExpectsConfig(vendor="0000", model="0000", rom="0001")  # what simulated cameras tell
DIALECTS = dialect_names()


def unit(seed: int = 1, dialect: str = "nibble4-51", *, ready: bool = True, habits: int | None = None) -> CameraPlan:
    return CameraPlan("any", "127.0.0.1", 1, dialect, "tripod", seed, ready=ready, loss=0.0, habits=habits)


async def speak(link: Link, every_seconds: float) -> None:
    """Be another controller: ask something now and then, and begin anew whenever the count is lost."""
    line = Line(link, load_dialect("nibble4-51"), on_restart=lambda: None)
    carrying = asyncio.create_task(line.run())
    try:
        while True:
            with suppress(LineDown, PushedAside):
                await line.ask(PowerInquiry())
            await asyncio.sleep(every_seconds)
    finally:
        carrying.cancel()
        await asyncio.wait([carrying])


async def answer_another(there: Link, reply: bytes) -> None:
    """Be a camera that lets us hear what it answers to another controller."""
    while True:
        await asyncio.sleep(0.53)
        there.send(reply)


REPLY = bytes.fromhex("90 50 02 FF")
NOT_OURS = Packet(PayloadType.REPLY, 5000, REPLY).encode()  # we have not said so much


@dataclass(frozen=True)
class Case:
    """One camera, what was done to it, and what is to be told of it."""

    wrong: set[str]
    do: Callable[[SimulatedCamera], object] = lambda camera: None
    plan: CameraPlan = field(default_factory=unit)
    loss: float = 0.0
    doubled: float = 0.0
    other: Callable[[Link, Link], Coroutine[Any, Any, None]] | None = None  # of a wire of its own, or on ours
    there: bool = True
    expects: ExpectsConfig = AS_IT_IS
    form: Form = "numbered"
    unseen: Set[str] = frozenset()  # what it does not tell


def lose_position(camera: SimulatedCamera) -> None:
    camera.head.pan_fault = True


def hesitate(camera: SimulatedCamera) -> None:
    """Not tell what it is before half a second after it was asked that."""
    camera.body.refuses[VersionInquiry] = ErrorCode.NOT_EXECUTABLE
    asyncio.get_running_loop().call_later(LOOKS_SECONDS + 0.5, camera.body.refuses.clear)


def moved(*commands: Command) -> Callable[[SimulatedCamera], None]:
    """Have somebody else move it as it is looked at."""

    def move(camera: SimulatedCamera) -> None:
        for command in commands:
            camera.moved_by_another(command, 0.0)

    return move


LOOKS_SECONDS = 3.0
CASES = {
    "nobody there": Case({"answers"}, there=False),
    "lossy": Case({"round trip"}, loss=0.1),
    "another controller": Case({"others"}, other=lambda own, ours: speak(own, 0.5)),
    "replies that are another's": Case({"others"}, other=lambda own, ours: answer_another(ours, NOT_OURS)),
    "another controller on the same wire": Case(
        {"others"}, other=lambda own, ours: answer_another(ours, REPLY), form="stream"
    ),
    "standby": Case({"power"}, lambda camera: camera.moved_by_another(PowerStandby(), 0.0)),
    "starting up": Case({"head"}, plan=unit(ready=False)),
    "has lost where it stands": Case({"head"}, lose_position),
    "digital zoom": Case({"digital zoom"}, lambda camera: camera.moved_by_another(DigitalZoomOn(), 0.0)),
    "another dialect": Case({"dialect"}, plan=unit(dialect="nibble4-14")),
    "another version": Case({"version"}, expects=ExpectsConfig(rom="0002")),
    "tells its version when it is asked again": Case(set(), hesitate),
    "does not tell its version": Case(
        set(), lambda camera: camera.body.refuses.update({VersionInquiry: ErrorCode.SYNTAX}), unseen={"version"}
    ),
    "tells nothing of its state": Case(
        {"dialect"},
        lambda camera: camera.body.refuses.update(
            dict.fromkeys((PanTiltStatusInquiry, FastestSpeedsInquiry, DigitalZoomInquiry), ErrorCode.NOT_EXECUTABLE)
        ),
        unseen={"head", "digital zoom"},
    ),
    "does not tell where its zoom stands": Case(
        {"stands"}, lambda camera: camera.body.refuses.update({ZoomInquiry: ErrorCode.SYNTAX})
    ),
    "turns, and nobody here turns it": Case({"stands"}, moved(PanTiltDrive(2, 2, 1, 0))),
    "tilts as slowly as it can, and nobody here tilts it": Case({"stands"}, moved(PanTiltDrive(1, 1, 0, 1))),
    "zooms, and nobody here zooms it": Case({"stands"}, moved(ZoomTele(0))),
    "is focused by hand, and not by one of ours": Case({"stands"}, moved(FocusManual(), FocusNear(0))),
    "focuses by itself, which is no motion": Case(set(), moved(FocusManual(), FocusNear(0), FocusAuto())),
    "turned at the beginning, and stands": Case({"stands"}, moved(PanTiltRelative(51, 0, 24, 1))),
    "good, on a serial line": Case(set(), form="stream"),
    "good, in bare datagrams": Case(set(), form="datagrams"),
    "lossy, in bare datagrams": Case({"round trip"}, loss=0.05, form="datagrams"),
    "good, and all is doubled": Case(set(), doubled=0.3),
    **{
        f"good, unit {seed}": Case(set(), plan=unit(seed, DIALECTS[seed % len(DIALECTS)], habits=seed))
        for seed in range(20)
    },
}


def findings(case: Case) -> list[Finding]:
    async def ask() -> list[Finding]:
        rng = random.Random(7)
        camera = case.plan.build(0.0)
        case.do(camera)
        here, there = memory_pair(loss=case.loss, doubled=case.doubled, rng=rng)
        elsewhere, there_too = memory_pair(rng=rng)
        tasks: list[asyncio.Task[None]] = []
        if case.form != "numbered":
            tasks.append(asyncio.create_task(serve_bare(camera, there, stream=case.form == "stream", rng=rng)))
        elif case.there:
            tasks.append(asyncio.create_task(serve_memory(camera, there, there_too)))
        if case.other:
            tasks.append(asyncio.create_task(case.other(elsewhere, there)))
        notes = Notes("camera left")
        dialect = "nibble4-51" if "dialect" in case.wrong else case.plan.dialect
        await question(CutLink(here, case.form), load_dialect(dialect), case.expects, LOOKS_SECONDS, notes)
        for task in tasks:
            task.cancel()
        if tasks:
            await asyncio.wait(tasks)
        return notes.findings

    return virtual_time.run(ask())


@pytest.mark.parametrize("name", CASES)
def test_one_thing_wrong_with_a_camera_is_found_and_nothing_else(name: str) -> None:
    found = findings(CASES[name])
    assert {each.what for each in found if each.state in ("failed", "caution")} == CASES[name].wrong
    assert {each.what for each in found} == set(ASKED), "what could not be asked is told too"
    if CASES[name].wrong & {"answers", "others", "power"}:
        seen = {each.what for each in found if each.state == "ok"}
        assert not seen & {"head", "stands", "digital zoom", "focus", "dialect"}, "what was not asked is not fine"
    if CASES[name].unseen or not CASES[name].wrong:
        assert {each.what for each in found if each.state == "unseen"} == CASES[name].unseen


@pytest.mark.parametrize(("form", "least", "most"), [("numbered", 60, 150), ("datagrams", 60, 150), ("stream", 5, 16)])
def test_one_on_a_line_that_others_share_is_asked_less_often(form: Form, least: int, most: int) -> None:
    (said,) = (each.sentence for each in findings(Case(set(), form=form)) if each.what == "round trip")
    asked = re.search(r"of (\d+) none was lost", said)
    assert asked is not None and least <= int(asked[1]) <= most


@pytest.mark.parametrize(("others", "lost", "state"), [(1, 1, "caution"), (1, 0, "failed"), (2, 1, "failed")])
def test_one_number_out_of_order_may_be_what_was_lost_and_two_are_somebody_else(
    others: int, lost: int, state: str
) -> None:
    notes, (link, _) = Notes("camera left"), memory_pair(rng=random.Random(1))
    overheard = Overheard(link)
    overheard.others, overheard.sent = others, lost
    tell_of_others(overheard, notes)
    assert [(each.what, each.state) for each in notes.findings] == [("others", state)]


@dataclass
class Served:
    """Cameras on real sockets, and the configuration of them."""

    config: Path
    cameras: dict[str, SimulatedCamera]


FAULTS = {
    "unreachable": "answers",
    "lossy": "round trip",
    "talked-to": "others",
    "standby": "power",
    "starting": "head",
    "digital": "digital zoom",
    "other-head": "dialect",
    "other-rom": "version",
    "no-picture": "picture",
    "too-far": "positions",
    "outside": "positions",
    "good": "",
}
POSITION = (
    "[positions.{}.wide]\npan_counts = {}\ntilt_counts = 0\nzoom_counts = 0\nfocus_counts = 8192\n"
    'focus_mode = "auto"\ndialect = "{}"\n'
)


@asynccontextmanager
async def served(folder: Path, broker: str, names: list[str]) -> AsyncIterator[Served]:
    now = asyncio.get_running_loop().time()
    cameras: dict[str, SimulatedCamera] = {}
    text = [f'[broker]\nport = {broker.split(":")[1]}\nprotocol = "3.1.1"\n[store]\npath = "show.db"\n']
    stored = ""
    async with AsyncExitStack() as stack:
        for seed, name in enumerate(names):
            spoken = "nibble4-14" if name == "other-head" else "nibble4-51"
            camera = cameras[name] = unit(seed, spoken).build(now)
            loss = 0.2 if name == "lossy" else 0.0
            port = await stack.enter_async_context(
                serve_udp(camera, "127.0.0.1", 0, loss=loss, rng=random.Random(seed))
            )
            if name == "unreachable":
                camera.silent_until = now + 1e6
            elif name == "standby":
                camera.moved_by_another(PowerStandby(), now)
            elif name == "digital":
                camera.moved_by_another(DigitalZoomOn(), now)
            elif name == "talked-to":
                link = await stack.enter_async_context(links.open(LinkAddress("127.0.0.1", port)))
                talking = asyncio.create_task(speak(link, 0.05))
                stack.callback(talking.cancel)
            rom = "0002" if name == "other-rom" else "0001"
            text.append(f'[camera.{name}]\nlink = "udp://127.0.0.1:{port}"\ndialect = "nibble4-51"\n')
            text.append(f'expects = {{ rom = "{rom}" }}\nwindow = {{ pan_deg = [-60, 60] }}\n')
            if name in ("no-picture", "good"):
                # a picture server knows its cameras by name, and "no-picture" is none of its own
                pictures = await stack.enter_async_context(
                    serve_pictures({"good": camera}, "127.0.0.1", 0, rng=random.Random(seed))
                )
                text.append(f'picture = "http://127.0.0.1:{pictures}/{name}.jpg"\n')
            pan = {"too-far": 8705, "outside": 51 * 61}.get(name, 51 * 59)  # the head ends at 8704 [B]
            stored += POSITION.format(name, pan, "nibble4-51")
        config = folder / "granary.toml"
        config.write_text("".join(text))
        async with PositionStore.open(folder / "show.db", calendar=lambda: datetime.now(UTC)) as store:
            await store.import_(stored)
        host, mqtt = broker.split(":")
        async with aiomqtt.Client(host, int(mqtt)) as mixer:
            for name in names:
                await mixer.publish(f"ptzd/camera/{name}/tally", "off", retain=True, qos=1)
        yield Served(config, cameras)


def wrong_of(checked: dict[str, Any], name: str) -> set[str]:
    return {
        each["what"]
        for each in checked["findings"]
        if each["subject"] == f"camera {name}" and each["state"] in ("failed", "caution")
    }


async def test_a_walk_along_twelve_cameras_finds_what_is_wrong_with_each(
    ptzd: Ptzd, tmp_path: Path, broker: str
) -> None:
    async with served(tmp_path, broker, [*FAULTS]) as cameras:
        cameras.cameras["starting"].power_cut(asyncio.get_running_loop().time())
        ended = await ptzd("check", "--config", str(cameras.config), "--seconds", "1", "--json", seconds=60)
    assert (ended.code, ended.err) == (1, "")
    checked = ended.json()
    assert {name: wrong_of(checked, name) for name in FAULTS} == {
        name: {what} if what else set() for name, what in FAULTS.items()
    }
    [picture] = [
        each["sentence"]
        for each in checked["findings"]
        if (each["subject"], each["what"]) == ("camera good", "picture")
    ]
    assert re.match(r"\d+ × \d+ px in \d\.\d s", picture)


async def test_a_good_camera_alone_is_no_reason_to_stay_and_digital_zoom_is_switched_off_only_when_told_to(
    ptzd: Ptzd, tmp_path: Path, broker: str
) -> None:
    async with served(tmp_path, broker, ["good", "digital"]) as cameras:
        check = ("check", "--config", str(cameras.config), "--seconds", "0.3")
        first = await ptzd(*check)
        assert (first.code, first.err) == (0, "")
        assert cameras.cameras["digital"].lens.digital_zoom, "nobody said that it should be switched off"
        host, mqtt = broker.split(":")
        async with aiomqtt.Client(host, int(mqtt)) as mixer:
            await mixer.publish("ptzd/camera/digital/tally", "program", retain=True, qos=1)
            on_air = await ptzd(*check, "--switch-off-digital-zoom")
            assert cameras.cameras["digital"].lens.digital_zoom, "its picture would jump before everybody"
            assert "it is on air, so it was left as it is" in on_air.out
            await mixer.publish("ptzd/camera/digital/tally", "off", retain=True, qos=1)
        second = await ptzd(*check, "--switch-off-digital-zoom", "--json")
        assert not cameras.cameras["digital"].lens.digital_zoom
    [said] = [
        each for each in second.json()["findings"] if each["what"] == "digital zoom" and "was on" in each["sentence"]
    ]
    assert (said["subject"], said["state"]) == ("camera digital", "ok")
    assert "ready" not in first.out, "it knows what it looked at, and no more"
    assert first.out.splitlines()[-1].startswith("Of what was looked at nothing must be put right; 1 to think of")


@pytest.mark.parametrize(("answer", "on"), [(b"n\r", True), (b"y\r", False)])
async def test_on_a_terminal_somebody_is_asked_whether_to_switch_digital_zoom_off(
    on_a_terminal: OnATerminal, tmp_path: Path, broker: str, answer: bytes, on: bool
) -> None:
    async with served(tmp_path, broker, ["digital"]) as cameras:
        check = await on_a_terminal("check", "--config", str(cameras.config), "--seconds", "0.3")
        await check.until("Switch digital zoom off on digital?")
        check.press(answer)
        assert await check.end() == 0
        assert cameras.cameras["digital"].lens.digital_zoom is on
    assert ("has been switched off" in " ".join(check.shown.split())) is not on


@pytest.mark.parametrize(
    ("activity", "state", "said"),
    [
        ("at-rest", "ok", "stands at pan 10.0°, tilt 0.0°"),
        (None, "unseen", "has not seen it stand still"),
        ("halting", "failed", "was not seen to stand still"),
        ("shaped", "caution", "moves it now"),
        ("by-hand", "caution", "moves it now"),
    ],
)
def test_of_a_camera_that_a_daemon_speaks_to_only_one_at_rest_is_said_to_stand(
    activity: str | None, state: str, said: str
) -> None:
    notes = Notes("camera left")
    told: dict[str, Any] = {"link": "up", "power": "on", "pan_deg": 10.0, "tilt_deg": 0.0, "activity": activity}
    told |= {"pan_counts": 512, "tilt_counts": 0, "zoom_counts": 0, "focus_counts": 0}
    tell_of_state(told, load_dialect("nibble4-51"), notes)
    [found] = [each for each in notes.findings if each.what == "stands"]
    assert found.state == state
    assert said in found.sentence


@pytest.mark.parametrize("lives", [True, False])
async def test_a_camera_that_a_daemon_speaks_to_is_not_asked_and_a_dead_one_is_not_believed(
    ptzd: Ptzd, tmp_path: Path, broker: str, stand_in: StandInFor, lives: bool
) -> None:
    async with served(tmp_path, broker, ["left", "good"]) as cameras, stand_in(broker, {}) as daemon:
        heard: list[bytes] = []

        def deaf(datagram: bytes, peer: object, now: float, *, bare: bool = False) -> None:
            heard.append(datagram)

        cameras.cameras["left"].receive = deaf  # type: ignore[method-assign]
        state: dict[str, Any] = {"link": "up", "power": "on", "faults": [], "focus_mode": "auto", "activity": "at-rest"}
        state |= {"locks": [{"by": "rigger"}], "pan_deg": 10.0, "tilt_deg": 0.0}
        state |= {"pan_counts": 512, "tilt_counts": 0, "zoom_counts": 0, "focus_counts": 0}
        await daemon.client.publish("ptzd/camera/left/state", json.dumps(state), retain=True, qos=1)
        async with daemon.saying_that_it_lives() if lives else nullcontext():
            checked = (await ptzd("check", "--config", str(cameras.config), "--seconds", "0.3", "--json")).json()
    assert heard == []
    said = {each["sentence"] for each in checked["findings"] if each["what"] == "daemon"}
    if not lives:
        assert any("none is heard: it may be gone" in sentence for sentence in said)
        assert wrong_of(checked, "left") == set(), "nothing is known of it"
        return
    assert any("one is online and speaks to the cameras" in sentence for sentence in said)
    assert wrong_of(checked, "left") == {"locks"}
    told = {each["what"]: each["state"] for each in checked["findings"] if each["subject"] == "camera left"}
    assert told["power"] == told["answers"] == told["stands"] == "ok"
    assert {what for what in told if told[what] == "unseen"} >= {"round trip", "others", "version", "dialect", "head"}


@pytest.mark.parametrize("minutes_later", [-1, 1])
async def test_a_configuration_that_is_newer_than_what_the_daemon_goes_by_is_told_of(
    ptzd: Ptzd, tmp_path: Path, broker: str, stand_in: StandInFor, minutes_later: int
) -> None:
    async with served(tmp_path, broker, ["left"]) as cameras, stand_in(broker, {}) as daemon:
        started = datetime(2026, 5, 3, 16, 0, tzinfo=UTC)
        status = {"state": "online", "cameras": ["left"], "since": started.isoformat()}
        await daemon.client.publish("ptzd/status", json.dumps(status), retain=True, qos=1)
        changed = started.timestamp() + 60 * minutes_later
        os.utime(cameras.config, (changed, changed))
        checked = (await ptzd("check", "--config", str(cameras.config), "--seconds", "0.3", "--json")).json()
    told = [
        each["state"] for each in checked["findings"] if (each["subject"], each["what"]) == ("configuration", "daemon")
    ]
    assert told == (["caution"] if minutes_later > 0 else [])


async def test_what_a_running_daemon_started_without_fails_the_check_as_it_would_without_one(
    ptzd: Ptzd, tmp_path: Path, broker: str, stand_in: StandInFor
) -> None:
    async with served(tmp_path, broker, ["left"]) as cameras, stand_in(broker, {}) as daemon:
        status = {"state": "online", "cameras": ["left"], "troubles": ["the store show.db is damaged: keep a copy"]}
        await daemon.client.publish("ptzd/status", json.dumps(status), retain=True, qos=1)
        (tmp_path / "show.db").unlink()
        async with PositionStore.open(tmp_path / "show.db", calendar=lambda: datetime.now(UTC)):  # as the daemon has it
            ended = await ptzd("check", "--config", str(cameras.config), "--seconds", "0.3", "--json")
    assert ended.code == 1
    told = [each["state"] for each in ended.json()["findings"] if "show.db is damaged" in each["sentence"]]
    assert told == ["failed"]
    (of_positions,) = (each for each in ended.json()["findings"] if each["what"] == "positions")
    assert "can't be read" in of_positions["sentence"]  # that none are stored, nobody knows


async def test_a_check_of_an_emptied_store_does_not_say_that_no_positions_are_stored(
    ptzd: Ptzd, tmp_path: Path, broker: str
) -> None:
    async with served(tmp_path, broker, ["left"]) as cameras:
        (tmp_path / "show.db").write_bytes(b"")
        ended = await ptzd("check", "--config", str(cameras.config), "--seconds", "0.3", "--json")
    assert ended.code == 1
    (of_positions,) = (each for each in ended.json()["findings"] if each["what"] == "positions")
    assert "can't be read" in of_positions["sentence"]


def made_up(cameras: int) -> tuple[list[Finding], dict[str, tuple[str, ...]]]:
    """Findings of so many cameras as they come on a bad day, each overhead."""
    notes = [Finding("configuration", "file", "ok", "granary.toml has no mistakes")]
    notes += [Finding("store", "file", "caution", "show.db is in use by another process: the daemon, if it runs")]
    names = [f"camera-on-the-gallery-{number}" for number in range(1, cameras + 1)]
    for at, name in enumerate(names):
        for place, what in enumerate((*ASKED, "limits", "tally", "picture", "positions", "overhead")):
            failed = place == at % len(ASKED)
            sentence = f"of {name}: does not answer; check its power, its network and the link in the configuration"
            if what in ("limits", "overhead", "tally"):
                notes.append(
                    Finding(f"camera {name}", what, "unseen" if what == "limits" else "caution", "as of all cameras")
                )
            else:
                notes.append(Finding(f"camera {name}", what, *(("failed", sentence) if failed else ("ok", "is fine"))))
    return notes, dict.fromkeys(names, CAUTIONS)


def signed_sheet(cameras: int) -> str:
    notes, cautions = made_up(cameras)
    looked_at = datetime(2026, 5, 3, 18, 30, tzinfo=UTC)
    return sheet(notes, cautions, looked_at=looked_at, operator="A. Operator", title="granary")


@pytest.mark.parametrize("cameras", [1, 3, 8])
def test_the_sheet_prints_on_one_page_of_a4(tmp_path: Path, cameras: int) -> None:
    page, paper = tmp_path / "sheet.html", tmp_path / "sheet.pdf"
    page.write_text(signed_sheet(cameras), "utf-8")
    quiet = "headless no-sandbox disable-gpu no-first-run disable-background-networking disable-dev-shm-usage"
    subprocess.run(
        [
            *(
                required("chromium"),
                *(f"--{word}" for word in quiet.split()),
                f"--user-data-dir={tmp_path / 'profile'}",
            ),
            *("--no-pdf-header-footer", f"--print-to-pdf={paper}", page.as_uri()),
        ],
        capture_output=True,
        timeout=120,
        check=True,
    )
    printed = paper.read_bytes()
    assert len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) == 1
    sides = {
        tuple(float(side) for side in box.split()[2:]) for box in re.findall(rb"/MediaBox\s*\[([^\]]*)\]", printed)
    }
    [(wide, high)] = sides
    assert [wide / 72 * 25.4, high / 72 * 25.4] == pytest.approx([210, 297], abs=1)


def test_the_sheet_has_all_that_is_wrong_in_words_and_ticks_nothing_that_only_a_person_sees() -> None:
    text = signed_sheet(3)
    html5lib.HTMLParser(strict=True).parse(text)
    tree = ElementTree.fromstring(text.partition("\n")[2])
    words = " ".join("".join(tree.itertext()).split())
    for each in made_up(3)[0]:
        if each.what != "overhead":  # that is the boxes'
            assert (each.sentence in words) == (each.state != "ok"), each
    boxes = [each for each in tree.iter("span") if each.get("class") == "box"]
    assert len(boxes) == 3 * len(CAUTIONS)
    assert all(not each.text and len(each) == 0 for each in boxes)
    assert "2026-05-03" in words and "A. Operator" in words and "Signature" in words
    assert "<input" not in text


def test_where_no_camera_is_overhead_the_sheet_cautions_of_none() -> None:
    notes, _ = made_up(2)
    text = sheet(notes, {}, looked_at=datetime(2026, 5, 3, tzinfo=UTC), operator="", title="granary")
    assert "box" not in text.partition("</head>")[2]
    assert not any(caution in text for caution in CAUTIONS)
