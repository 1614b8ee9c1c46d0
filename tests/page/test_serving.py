"""Who gets in, who may move cameras, and what a page hears: over real HTTP and WebSockets, without a daemon."""

from __future__ import annotations

import asyncio
import json
import ssl
import subprocess
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from aiohttp import ClientError, ClientSession, ClientWebSocketResponse, WSServerHandshakeError
from brokers import required

from ptzd.cli.commands.demo_ports import free_tcp_port
from ptzd.page import Access, Guest, Hub
from ptzd.page.server import PageError, serve_page
from ptzd.refusal import Refusal

DESK, STAGE = "a key for the desk, long enough", "a key for the stage, for looking"
KEYS = {"desk": (DESK, Guest("desk", operates=True)), "stage": (STAGE, Guest("stage", operates=False))}
OPEN = Access({})


@dataclass
class Served:
    """A page that is served, and what was asked for on it."""

    address: str
    hub: Hub
    asked: list[tuple[str, str, Any]] = field(default_factory=list)
    ages: list[float] = field(default_factory=list)

    @property
    def own(self) -> dict[str, str]:
        """What a browser sends along from the page itself."""
        return {"Origin": self.address.rstrip("/")}


class OneJpeg:
    async def now(self, camera: str) -> tuple[str, bytes]:
        if camera == "left":
            return "image/jpeg", b"seen"
        raise Refusal("no-picture", "it does not answer")

    async def still(self, camera: str, position: str, number: int | None) -> tuple[str, bytes] | None:
        return ("image/jpeg", b"kept %d" % (number or 0)) if position == "wide" else None


@asynccontextmanager
async def served(access: Access = OPEN) -> AsyncIterator[Served]:
    hub, port = Hub(), free_tcp_port()

    def ask(guest: Guest, topic: str, payload: bytes, age_seconds: float) -> Refusal | None:
        page.asked.append((guest.name, topic, json.loads(payload)))
        page.ages.append(age_seconds)
        return Refusal("late", "too late") if topic == "late" else None

    page = Served(f"http://127.0.0.1:{port}/", hub)
    async with serve_page(hub, ask, OneJpeg(), access, host="127.0.0.1", port=port) as address:
        assert address == page.address
        yield page


@asynccontextmanager
async def opened() -> AsyncIterator[tuple[Served, ClientWebSocketResponse]]:
    """A page that is served, and one browser that has it open."""
    async with (
        served() as page,
        ClientSession() as browser,
        browser.ws_connect(f"{page.address}socket", headers=page.own) as socket,
    ):
        yield page, socket


async def hear(socket: ClientWebSocketResponse) -> tuple[int, dict[str, Any]]:
    """The next beat with something in it, and what that is by topic; of one topic the last."""
    while True:
        message = await socket.receive_json(timeout=5.0)
        if message["said"]:
            return message["beat"], dict(message["said"])


async def test_a_page_is_told_what_is_retained_and_then_all_that_is_said_in_its_order() -> None:
    async with served() as page, ClientSession() as browser:
        page.hub.say("status", '{"state":"online"}', retain=True)
        page.hub.say("camera/left/move", '{"phase":"slewing"}', retain=False)  # nobody listens yet
        async with browser.ws_connect(f"{page.address}socket", headers=page.own) as socket:
            _, said = await hear(socket)
            assert said == {"status": {"state": "online"}, "page": {"who": "the page", "operates": True}}
            page.hub.say("camera/left/state", '{"link":"up"}', retain=True)
            page.hub.say("camera/left/state", '{"link":"down"}', retain=True)
            page.hub.say("outcome", '{"ok":true}', retain=False)
            said_later = (await socket.receive_json(timeout=5.0))["said"]
            assert said_later == [["camera/left/state", {"link": "down"}], ["outcome", {"ok": True}]]


async def test_whether_the_daemon_has_its_broker_is_told_with_every_beat() -> None:
    async with opened() as (page, socket):
        assert (await socket.receive_json(timeout=5.0))["broker"] is True
        page.hub.broker_up = lambda: False
        assert [(await socket.receive_json(timeout=5.0))["broker"] for _ in range(2)] == [False, False]


async def test_what_is_asked_comes_with_its_age_at_most_by_the_beat_that_was_heard_last() -> None:
    async with opened() as (page, socket):
        first, _ = await hear(socket)
        await asyncio.sleep(0.6)
        late = first
        for _ in range(2):
            late = (await socket.receive_json(timeout=5.0))["beat"]
        for heard in (first, late, 10**9, -1):
            await socket.send_json({"heard": heard, "topic": "camera/left/recall", "payload": {"position": "wide"}})
        await asyncio.sleep(0.1)
    assert page.asked == [("the page", "camera/left/recall", {"position": "wide"})] * 4
    assert page.ages[0] >= 0.6
    assert page.ages[1] < page.ages[0]
    assert page.ages[2:] == [float("inf")] * 2  # beats that were never sent, or long ago


async def test_a_refusal_is_told_to_the_page_that_asked_alone() -> None:
    async with (
        opened() as (page, asking),
        ClientSession() as browser,
        browser.ws_connect(f"{page.address}socket", headers=page.own) as other,
    ):
        beat, _ = await hear(asking)
        await hear(other)
        await asking.send_json({"heard": beat, "topic": "late", "payload": {"id": "a"}})
        _, said = await hear(asking)
        assert (said["outcome"]["id"], said["outcome"]["code"], said["outcome"]["ok"]) == ("a", "late", False)
        assert (await other.receive_json(timeout=5.0))["said"] == []


@pytest.mark.parametrize(
    "text",
    [
        *("", "[]", "{}", '{"heard":"x","topic":"all/stop","payload":{}}', '"' * 9, "null"),
        '{"heard":1e999,"topic":"all/stop","payload":{}}',
        "[" * 100_000,
        '{"heard":1,"topic":"all/stop","payload":' + "[" * 100_000 + "]" * 100_000 + "}",
        '"' + "x" * 4_900_000 + '"',  # as large as an import may be
    ],
    ids=range(10),
)
async def test_what_is_no_request_is_told_and_ends_nothing(text: str) -> None:
    async with opened() as (page, socket):
        beat, _ = await hear(socket)
        await socket.send_str(text)
        _, said = await hear(socket)
        assert said["page"] == {"sentence": "this was no request of a page"}
        await socket.send_json({"heard": beat, "topic": "all/stop", "payload": {}})
        await asyncio.sleep(0.1)
    assert page.asked == [("the page", "all/stop", {})]


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:1"},
        {"Origin": "http://evil.example", "Host": "evil.example"},  # DNS rebinding
    ],
)
async def test_a_strangers_page_gets_no_socket(headers: dict[str, str]) -> None:
    async with served() as page, ClientSession() as browser:
        with pytest.raises(WSServerHandshakeError):
            await browser.ws_connect(f"{page.address}socket", headers=headers)
        if "Host" in headers:
            async with browser.get(page.address, headers={"Host": headers["Host"]}) as answer:
                assert answer.status == 421  # RFC 9110, 15.5.20
    assert page.asked == []


async def test_a_wrong_key_opens_nothing() -> None:
    async with served(Access(KEYS)) as page, ClientSession() as browser:
        async with browser.post(f"{page.address}enter", data={"key": "guessed"}, headers=page.own) as answer:
            assert "no key of this page" in await answer.text()
        assert not list(browser.cookie_jar)
        for path in ("picture/left", "still/left/wide"):
            async with browser.get(f"{page.address}{path}") as answer:
                assert answer.status == 403
        for cookie in ("", "desk", "desk:", "desk:0000", f"desk:{DESK}", "nobody:0000"):
            with pytest.raises(WSServerHandshakeError):
                await browser.ws_connect(f"{page.address}socket", headers={**page.own, "Cookie": f"ptzd-page={cookie}"})


@pytest.mark.parametrize(("key", "operates"), [(DESK, True), (STAGE, False)])
async def test_a_key_lets_in_whoever_has_it(key: str, operates: bool) -> None:
    async with served(Access(KEYS)) as page, ClientSession() as browser:
        async with browser.post(
            f"{page.address}enter", data={"key": key}, headers={"Origin": "http://evil.example"}
        ) as answer:
            assert answer.status == 403
        async with browser.post(
            f"{page.address}enter", data={"key": key}, headers=page.own, allow_redirects=False
        ) as answer:
            given = answer.headers["Set-Cookie"]
        assert key not in given
        assert "HttpOnly" in given
        assert "SameSite=Strict" in given
        cookie = {"Cookie": given.partition(";")[0], **page.own}
        async with browser.ws_connect(f"{page.address}socket", headers=cookie) as socket:
            beat, said = await hear(socket)
            assert said["page"] == {"who": "desk" if operates else "stage", "operates": operates}
            await socket.send_json({"heard": beat, "topic": "camera/left/recall", "payload": {"position": "wide"}})
            await asyncio.sleep(0.1)
    assert [who for who, _, _ in page.asked] == ["desk" if operates else "stage"]


@pytest.fixture
def certificate(tmp_path: Path) -> tuple[Path, Path]:
    """A certificate for this computer that it has signed itself, and its key."""
    made, key = tmp_path / "page.pem", tmp_path / "key.pem"
    subprocess.run(
        [
            *(required("openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"),
            *("-nodes", "-keyout", key, "-out", made, "-days", "2"),
            *("-subj", "/CN=desk.granary", "-addext", "subjectAltName=IP:127.0.0.1"),
        ],
        check=True,
        capture_output=True,
    )
    return made, key


async def test_with_a_certificate_it_is_served_over_tls_alone(certificate: tuple[Path, Path]) -> None:
    own, trusting = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH), ssl.create_default_context()
    own.load_cert_chain(*certificate)
    trusting.load_verify_locations(certificate[0])
    port = free_tcp_port()
    async with (
        serve_page(Hub(), lambda *_: None, OneJpeg(), Access(KEYS), host="127.0.0.1", port=port, tls=own) as address,
        ClientSession() as browser,
    ):
        assert address == f"https://127.0.0.1:{port}/"
        origin = {"Origin": address.rstrip("/")}
        async with browser.post(
            f"{address}enter", data={"key": DESK}, headers=origin, ssl=trusting, allow_redirects=False
        ) as answer:
            assert "Secure" in answer.headers["Set-Cookie"]
            cookie = answer.headers["Set-Cookie"].partition(";")[0]
        async with browser.ws_connect(f"{address}socket", headers={**origin, "Cookie": cookie}, ssl=trusting) as socket:
            assert (await hear(socket))[1]["page"]["who"] == "desk"
        with pytest.raises(ClientError):
            await browser.get(f"http://127.0.0.1:{port}/")


@pytest.mark.parametrize(
    ("path", "status", "body"),
    [
        ("picture/left", 200, b"seen"),
        ("picture/right", 204, b""),
        ("still/left/wide", 200, b"kept 0"),
        ("still/left/wide?number=3", 200, b"kept 3"),
        ("still/left/wide?number=-3x", 200, b"kept 0"),
        ("still/left/solo", 204, b""),
        ("static/../server.py", 404, None),
        ("static/%2e%2e/server.py", 404, None),
    ],
)
async def test_pictures_are_served_and_no_other_file(path: str, status: int, body: bytes | None) -> None:
    async with served() as page, ClientSession() as browser, browser.get(f"{page.address}{path}") as answer:
        assert answer.status == status
        assert body is None or await answer.read() == body
        assert not body or answer.content_type == "image/jpeg", "a browser that is to guess nothing shows no other"


async def test_every_file_of_the_page_may_run_nothing_from_elsewhere() -> None:
    async with served() as page, ClientSession() as browser:
        for path in ("", "static/main.js", "static/style.css"):
            async with browser.get(f"{page.address}{path}") as answer:
                assert answer.headers["Content-Security-Policy"].startswith("default-src 'self'")
                assert answer.headers["X-Content-Type-Options"] == "nosniff"
                assert "http://" not in (await answer.text()).replace("http://www.w3.org/", "")


async def test_a_port_that_is_taken_is_told_in_a_sentence() -> None:
    async with served() as page:
        port = int(page.address.rsplit(":", 1)[1].strip("/"))
        with pytest.raises(PageError, match=f"127.0.0.1:{port}.*give .page. another port"):
            async with serve_page(Hub(), lambda *_: None, OneJpeg(), OPEN, host="127.0.0.1", port=port):
                pass
