"""Pictures of cameras over HTTP: JPEG, bounded in size and time, and one fetch for all who ask meanwhile.

Nothing of a camera's motion waits for a picture, and no picture is taken that nobody asks for. Redirections are not
followed, so that a login reaches only the address that the configuration names; it goes out in clear (basic) only to a
camera that asks for that.
"""

from __future__ import annotations

import asyncio
import base64
from collections.abc import AsyncIterator, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from contextlib import asynccontextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from ptzd.refusal import Refusal

from .address import PictureAddress
from .comparing import compared_beside
from .similarity import Similarity

if TYPE_CHECKING:
    from aiohttp import ClientResponse, ClientSession

PATIENCE_SECONDS = 3.0  # for a whole picture
LARGEST_BYTES = 4_000_000  # several times what a camera makes of 1920 × 1080
PAUSE_SECONDS = 0.1  # between two fetches from one camera
PAUSE_AFTER_FAILURE_SECONDS = 1.0
_CHUNK_BYTES = 65_536
_THREAD = ThreadPoolExecutor(max_workers=1, thread_name_prefix="ptzd-pictures")
_JPEG_BEGINS, _JPEG_ENDS = b"\xff\xd8\xff", b"\xff\xd9"  # SOI with the next marker, and EOI (ITU-T T.81, table B.1)

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Picture:
    """A JPEG, and when it was asked for, by the loop's time: what it shows may be somewhat older."""

    jpeg: bytes
    asked_at: float


@dataclass(frozen=True, slots=True)
class _Brought:
    """How the last fetch from a camera went."""

    asked_at: float
    ended_at: float
    outcome: Picture | Refusal

    def next_at(self) -> float:
        """When the next may begin."""
        failed = isinstance(self.outcome, Refusal)
        return self.ended_at + PAUSE_AFTER_FAILURE_SECONDS if failed else self.asked_at + PAUSE_SECONDS


class Pictures:
    """Brings the pictures of all cameras that have an address. Made by `Pictures.open`."""

    def __init__(self, addresses: Mapping[str, PictureAddress]) -> None:
        self._addresses = addresses
        self._turns = {camera: asyncio.Lock() for camera in addresses}
        self._last: dict[str, _Brought] = {}
        self._logins: dict[str, Any] = {}  # by camera: a header for basic, a middleware for digest
        self._session: ClientSession | None = None

    @classmethod
    @asynccontextmanager
    async def open(cls, addresses: Mapping[str, PictureAddress]) -> AsyncIterator[Pictures]:
        """Have pictures of these cameras for as long as the context lasts; no camera is asked before somebody asks."""
        pictures = cls(addresses)
        try:
            yield pictures
        finally:
            if pictures._session is not None:
                await pictures._session.close()

    async def beside(self, work: Callable[[], T]) -> T:
        """Do work on pictures in the one thread that there is for it: nothing of a camera's motion waits for it."""
        return await asyncio.get_running_loop().run_in_executor(_THREAD, work)

    async def compared(self, still: bytes, picture: bytes) -> Similarity | None:
        """Return how a picture differs from a still; None where nobody can tell."""
        return await compared_beside(still, picture)

    def has(self, camera: str) -> bool:
        """Whether a camera has an address for pictures."""
        return camera in self._addresses

    async def now(self, camera: str, since: float | None = None) -> Picture:
        """Return a camera's picture, asked for a tenth of a second ago at most, or by now; never before `since`.

        Raises Refusal `no-picture`, with why.
        """
        address = self._addresses.get(camera)
        if address is None:
            raise Refusal(
                "no-picture",
                f"camera {camera} has no picture: name its address in the configuration, such as "
                'picture = "http://127.0.0.1:8081/left.jpg"',
            )
        loop = asyncio.get_running_loop()
        came_at = loop.time()
        async with self._turns[camera]:
            last = self._last.get(camera)
            if last is not None:
                recent = last.ended_at > came_at or loop.time() < last.next_at()
                if recent and (since is None or last.asked_at >= since):
                    return _unless_refused(last.outcome)
                await asyncio.sleep(last.next_at() - loop.time())
            asked_at = loop.time()
            try:
                outcome: Picture | Refusal = Picture(await self._fetch(camera, address), asked_at)
            except Refusal as refusal:
                outcome = refusal
            self._last[camera] = _Brought(asked_at, loop.time(), outcome)
            return _unless_refused(outcome)

    async def _fetch(self, camera: str, address: PictureAddress) -> bytes:
        import aiohttp  # not before a picture is wanted: it takes a quarter of a second

        if self._session is None:
            self._session = aiohttp.ClientSession(cookie_jar=aiohttp.DummyCookieJar())
        try:
            async with asyncio.timeout(PATIENCE_SECONDS):
                async with self._asked(camera, address) as response:
                    if response.status != 401 or address.username is None or not _asks_for_basic(response):
                        return await _jpeg_of(camera, response, knows_login=address.username is not None)
                self._logins[camera] = _basic(address)
                async with self._asked(camera, address) as response:
                    return await _jpeg_of(camera, response, knows_login=True)
        except TimeoutError:
            raise _none(camera, f"it did not come within {PATIENCE_SECONDS:g} s: look at {address.url}") from None
        except (aiohttp.ClientError, ValueError) as error:
            why = " ".join(str(error).split())[:200] or type(error).__name__
            raise _none(
                camera, f"{address.url} can't be reached ({why}): look at the address and the network"
            ) from None

    def _asked(self, camera: str, address: PictureAddress) -> Any:
        """Ask with what login is known to be wanted; for digest, what asks for it is answered by itself."""
        import aiohttp

        assert self._session is not None
        login = self._logins.get(camera)
        if login is None and address.username is not None:
            login = self._logins[camera] = aiohttp.DigestAuthMiddleware(address.username, address.password or "")
        headers = {"Authorization": login} if isinstance(login, str) else {}
        middlewares = () if login is None or isinstance(login, str) else (login,)
        return self._session.get(address.url, headers=headers, middlewares=middlewares, allow_redirects=False)


def _asks_for_basic(response: ClientResponse) -> bool:
    asked = [value.lower() for value in response.headers.getall("WWW-Authenticate", [])]
    return any("basic" in value for value in asked) and not any("digest" in value for value in asked)


def _basic(address: PictureAddress) -> str:
    login = f"{address.username}:{address.password or ''}"
    return f"Basic {base64.b64encode(login.encode()).decode()}"


async def _jpeg_of(camera: str, response: ClientResponse, *, knows_login: bool) -> bytes:
    """Return what was answered. Raises Refusal where it is no JPEG of a bearable size."""
    if response.status == 401:
        todo = "look at picture_username and picture_password_file" if knows_login else "give picture_username"
        why = "the login is refused" if knows_login else "it asks for a login"
        raise _none(camera, f"{why}: {todo} in the configuration")
    if response.status != 200:
        raise _none(camera, f"its address answers {response.status} instead of 200: look at the path in the address")
    content = bytearray()
    async for chunk in response.content.iter_chunked(_CHUNK_BYTES):
        content += chunk
        if len(content) > LARGEST_BYTES:
            raise _none(camera, f"it has more than {LARGEST_BYTES // 1_000_000} MB: have the camera make it smaller")
    if not content.startswith(_JPEG_BEGINS) or _JPEG_ENDS not in content[-1024:]:
        raise _none(camera, "what comes is no whole JPEG: name the address of a still picture, not that of a stream")
    return bytes(content)


def _none(camera: str, why: str) -> Refusal:
    return Refusal("no-picture", f"there is no picture of camera {camera}: {why}")


def _unless_refused(outcome: Picture | Refusal) -> Picture:
    if isinstance(outcome, Refusal):
        raise Refusal(outcome.code, outcome.sentence)  # one of its own for each who asked
    return outcome
