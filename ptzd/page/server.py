"""The page over HTTP, and its WebSocket: what the daemon says goes out, what a browser asks for comes in.

The WebSocket carries JSON. To the browser: `{"beat": n, "broker": true, "said": [[topic, payload], …]}`, topics below
the base, and whether the daemon has its broker, at least every quarter of a second. From it: `{"heard": n, "topic":
"camera/left/recall", "payload": …}`, where n is the last beat that it has heard. So the age of a request is known at
most, without any clock of the browser's: a request that a broken network kept back names an old beat.
"""

from __future__ import annotations

import asyncio
import json
import ssl
from collections import deque
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any, Protocol
from weakref import WeakSet

import structlog
from aiohttp import WSMsgType, web

from ptzd.refusal import Refusal

from .access import COOKIE, Access, Guest
from .hub import Hub, Listener

BEAT_SECONDS = 0.25  # at most between two messages to a browser
GATHER_SECONDS = 0.04  # what is said within goes out together: a picture's time
BEATS_KEPT = 400  # with two dozen a second at most: longer than any request may be kept back
LARGEST_REQUEST = 5_000_000  # bytes: an import
NOT_TAKEN_SECONDS = 5.0  # for a browser that takes nothing
ENDING_SECONDS = 1.0

_FILES = Path(__file__).with_name("static")
_NO_STRANGERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' blob: data:; frame-ancestors 'none'; "
    "base-uri 'none'; form-action 'self'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-cache",
}

log = structlog.get_logger()

# Does what a guest asks for: topic below the base, payload, and how old the request may be, in seconds. What becomes of
# it is said to all; a refusal that it returns, to this page alone.
Asker = Callable[[Guest, str, bytes, float], Refusal | None]


class PageError(Exception):
    """The page can't be served; the text is one sentence on why and what to do."""


class Pictures(Protocol):
    """Where pictures come from."""

    async def now(self, camera: str) -> tuple[str, bytes]:
        """Return what a camera sees, or a drawing in its place, as media type and bytes. Raises Refusal."""

    async def still(self, camera: str, position: str, number: int | None) -> tuple[str, bytes] | None:
        """Return what was kept of a position, or of the framing of this number in its history. Raises Refusal."""


@asynccontextmanager
async def serve_page(
    hub: Hub,
    ask: Asker,
    pictures: Pictures,
    access: Access,
    *,
    host: str,
    port: int,
    tls: ssl.SSLContext | None = None,
) -> AsyncIterator[str]:
    """Serve the page for as long as the context lasts; yields its address. Raises PageError."""
    page = _Page(hub, ask, pictures, access, secure=tls is not None)
    runner = web.AppRunner(page.application(), access_log=None, shutdown_timeout=ENDING_SECONDS)
    await runner.setup()
    try:
        site = web.TCPSite(runner, host, port, ssl_context=tls)
        try:
            await site.start()
        except OSError as error:
            raise PageError(
                f"the page can't listen on {host}:{port} ({(error.strerror or 'unknown error').lower()}): "
                "give [page] another port, or end what uses it"
            ) from None
        shown = f"[{host}]" if ":" in host else host
        yield f"http{'' if tls is None else 's'}://{shown}:{runner.addresses[0][1]}/"
    finally:
        await runner.cleanup()


class _Page:
    def __init__(self, hub: Hub, ask: Asker, pictures: Pictures, access: Access, *, secure: bool) -> None:
        self._hub = hub
        self._ask = ask
        self._pictures = pictures
        self._access = access
        self._secure = secure
        self._open: WeakSet[web.WebSocketResponse] = WeakSet()

    def application(self) -> web.Application:
        application = web.Application(middlewares=[self._only_for_its_own], client_max_size=LARGEST_REQUEST)
        application.add_routes(
            [
                web.get("/", self._front),
                web.post("/enter", self._enter),
                web.get("/socket", self._socket),
                web.get("/picture/{camera}", self._picture),
                web.get("/still/{camera}/{position}", self._still),
                web.static("/static", _FILES),
            ]
        )
        application.on_shutdown.append(self._close_all)
        return application

    @web.middleware
    async def _only_for_its_own(
        self, request: web.Request, handler: Callable[[web.Request], Awaitable[web.StreamResponse]]
    ) -> web.StreamResponse:
        if not self._access.host_is_known(request.headers.get("Host")):
            raise web.HTTPMisdirectedRequest(text="this page is not known under that name: see `hosts` in [page]")
        response = await handler(request)
        if not response.prepared:
            for name, value in _NO_STRANGERS.items():
                response.headers.setdefault(name, value)
        return response

    def _guest(self, request: web.Request) -> Guest | None:
        return self._access.with_cookie(request.cookies.get(COOKIE))

    def _require_guest(self, request: web.Request) -> Guest:
        if (guest := self._guest(request)) is None:
            raise web.HTTPForbidden(text="enter the page with a key first")
        return guest

    async def _front(self, request: web.Request) -> web.StreamResponse:
        return web.FileResponse(_FILES / ("index.html" if self._guest(request) else "enter.html"))

    async def _enter(self, request: web.Request) -> web.StreamResponse:
        if not self._access.same_origin(request.headers.get("Origin"), request.headers.get("Host")):
            raise web.HTTPForbidden(text="this came from another page")
        form = await request.post()
        guest = self._access.with_key(str(form.get("key", "")))
        if guest is None:
            log.warning("somebody tried to enter the page with a wrong key", address=request.remote)
            raise web.HTTPSeeOther("/?wrong")
        log.info("entered the page", who=guest.name, address=request.remote)
        response = web.HTTPSeeOther("/")
        response.set_cookie(
            COOKIE, self._access.cookie(guest), httponly=True, samesite="Strict", secure=self._secure, path="/"
        )
        raise response

    async def _picture(self, request: web.Request) -> web.StreamResponse:
        self._require_guest(request)
        try:
            return _as_picture(await self._pictures.now(request.match_info["camera"]), "no-store")
        except Refusal:
            return web.Response(status=204)

    async def _still(self, request: web.Request) -> web.StreamResponse:
        self._require_guest(request)
        number = request.query.get("number")
        try:
            found = await self._pictures.still(
                request.match_info["camera"],
                request.match_info["position"],
                int(number) if number is not None and number.isascii() and number.isdigit() else None,
            )
        except Refusal:
            found = None
        return _as_picture(found, "private, max-age=31536000, immutable")

    # The WebSocket

    async def _socket(self, request: web.Request) -> web.StreamResponse:
        if not self._access.same_origin(request.headers.get("Origin"), request.headers.get("Host")):
            raise web.HTTPForbidden(text="this came from another page")
        guest = self._require_guest(request)
        socket = web.WebSocketResponse(max_msg_size=LARGEST_REQUEST)
        await socket.prepare(request)
        self._open.add(socket)
        beats = _Beats(asyncio.get_running_loop().time)
        with self._hub.listening() as listener:
            who = json.dumps({"who": guest.name, "operates": guest.operates})
            listener.hear("page", f'["page",{who}]', retain=False)
            async with asyncio.TaskGroup() as group:
                telling = group.create_task(self._tell(socket, listener, beats))
                async for message in socket:
                    if message.type is WSMsgType.TEXT:
                        self._hear(guest, message.data, beats, listener)
                telling.cancel()
        return socket

    async def _tell(self, socket: web.WebSocketResponse, listener: Listener, beats: _Beats) -> None:
        try:
            while not listener.overwhelmed:
                said = ",".join(listener.take())
                async with asyncio.timeout(NOT_TAKEN_SECONDS):
                    broker = json.dumps(self._hub.broker_up())
                    await socket.send_str(f'{{"beat":{beats.next()},"broker":{broker},"said":[{said}]}}')
                await asyncio.sleep(GATHER_SECONDS)
                with suppress(TimeoutError):
                    async with asyncio.timeout(BEAT_SECONDS - GATHER_SECONDS):
                        await listener.wait()
        except (TimeoutError, ConnectionError):
            pass  # the page begins anew
        await socket.close()

    def _hear(self, guest: Guest, text: str, beats: _Beats, listener: Listener) -> None:
        """Do what a page asks for; what is no request of a page is told to it, and nothing else happens."""
        try:
            request: Any = json.loads(text)
            topic, heard, payload = str(request["topic"]), int(request["heard"]), request["payload"]
        except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
            listener.hear("page", '["page",{"sentence":"this was no request of a page"}]', retain=False)
            return
        refusal = self._ask(guest, topic, json.dumps(payload).encode(), beats.age(heard))
        if refusal is not None:
            listener.hear("outcome", _outcome(topic, payload, refusal), retain=False)

    async def _close_all(self, application: web.Application) -> None:
        for socket in set(self._open):
            await socket.close()


class _Beats:
    """When each beat was sent, to tell how old a request is at most."""

    def __init__(self, clock: Callable[[], float]) -> None:
        self._clock = clock
        self._sent_at: deque[float] = deque(maxlen=BEATS_KEPT)
        self._count = 0

    def next(self) -> int:
        """Note a beat that leaves now; return its number."""
        self._count += 1
        self._sent_at.append(self._clock())
        return self._count

    def age(self, heard: int) -> float:
        """Return how old a request is at most, in seconds, whose sender had heard this beat last."""
        back = self._count - heard
        return self._clock() - self._sent_at[-1 - back] if 0 <= back < len(self._sent_at) else float("inf")


def _outcome(topic: str, payload: Any, why: Refusal) -> str:
    id = payload.get("id") if isinstance(payload, dict) else None
    outcome = {"topic": topic, "id": id, "ok": False, "code": why.code, "sentence": why.sentence}
    return f'["outcome",{json.dumps(outcome)}]'


def _as_picture(found: tuple[str, bytes] | None, caching: str) -> web.Response:
    if found is None:
        return web.Response(status=204)
    kind, content = found
    return web.Response(body=content, content_type=kind, headers={"Cache-Control": caching})
