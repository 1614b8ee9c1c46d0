"""Commands as processes of their own, but for their start: a process that has read the program forks for each of them.

Half of what most commands take is to read the program; of hundreds of them that is the most of all their time.
"""

from __future__ import annotations

import asyncio
import importlib
import json
import os
import pkgutil
import random
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterator, Mapping, Sequence
from contextlib import AsyncExitStack, asynccontextmanager, contextmanager, suppress
from functools import partial
from pathlib import Path
from typing import IO

MOST_BYTES = 100_000


class Forked:
    """One command that stays, with as much of what `asyncio.subprocess.Process` has as tests ask for."""

    def __init__(
        self, pid: int, told: asyncio.StreamReader, out: asyncio.StreamReader, err: asyncio.StreamReader
    ) -> None:
        self.pid = pid
        self.returncode: int | None = None  # once that was waited for
        self.stdout = out
        self.stderr = err
        self._waiting = asyncio.create_task(self._wait(told))

    async def _wait(self, told: asyncio.StreamReader) -> int:
        self.returncode = int(await told.readline())
        return self.returncode

    async def wait(self) -> int:
        """Return the code that it ended with, or below zero the signal that ended it."""
        return await asyncio.shield(self._waiting)

    async def communicate(self) -> tuple[bytes, bytes]:
        """Return all that it, and whatever it has started, writes, once they have ended."""
        out, err, _ = await asyncio.gather(self.stdout.read(), self.stderr.read(), self.wait())
        return out, err

    def send_signal(self, number: int) -> None:
        if self.returncode is None:
            with suppress(ProcessLookupError):
                os.kill(self.pid, number)

    def terminate(self) -> None:
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class Forking:
    """The near end: each `run`, and each `start`, is a process."""

    def __init__(self, far: socket.socket) -> None:
        self._far = far

    async def run(
        self, arguments: Sequence[str], stdin: str, seconds: float, environment: Mapping[str, str]
    ) -> tuple[int, str, str]:
        """Return the code that a command ended with, and what it wrote. Raises TimeoutError after `seconds`."""
        with tempfile.TemporaryFile() as into, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            into.write(stdin.encode())
            into.seek(0)
            pid, reader, writer = await self._begun(arguments, environment, [into.fileno(), out.fileno(), err.fileno()])
            try:
                async with asyncio.timeout(seconds):
                    code = int(await reader.readline())
            except TimeoutError:
                os.kill(pid, signal.SIGKILL)
                await reader.readline()
                raise TimeoutError(f"{arguments} did not end in {seconds} s: {_all(out)!r} {_all(err)!r}") from None
            finally:
                writer.close()
            return code, _all(out), _all(err)

    @asynccontextmanager
    async def start(self, arguments: Sequence[str], environment: Mapping[str, str]) -> AsyncIterator[Forked]:
        """Start a command that stays, and is killed with the context if it has not ended."""
        loop = asyncio.get_running_loop()
        async with AsyncExitStack() as stack:
            readers: list[asyncio.StreamReader] = []
            theirs = [os.open(os.devnull, os.O_RDONLY)]
            for _ in range(2):
                reading, writing = os.pipe()
                theirs.append(writing)
                readers.append(asyncio.StreamReader())
                file = os.fdopen(reading, "rb", 0)
                transport, _ = await loop.connect_read_pipe(partial(asyncio.StreamReaderProtocol, readers[-1]), file)
                stack.callback(transport.close)
            pid, told, writer = await self._begun(arguments, environment, theirs)
            stack.callback(writer.close)
            for each in theirs:
                os.close(each)
            forked = Forked(pid, told, *readers)
            try:
                yield forked
            finally:
                forked.kill()
                await forked.wait()

    async def _begun(
        self, arguments: Sequence[str], environment: Mapping[str, str], descriptors: Sequence[int]
    ) -> tuple[int, asyncio.StreamReader, asyncio.StreamWriter]:
        """Start a command with these three files; return its number, and what will tell the code it ended with."""
        ours, theirs = socket.socketpair()
        asked = json.dumps([arguments, dict(environment), str(Path.cwd())]).encode()
        socket.send_fds(self._far, [asked], [*descriptors, theirs.fileno()])
        theirs.close()
        reader, writer = await asyncio.open_connection(sock=ours)
        return int(await reader.readline()), reader, writer


def _all(file: IO[bytes]) -> str:
    file.seek(0)
    return file.read().decode()


@contextmanager
def forking(environment: Mapping[str, str]) -> Iterator[Forking]:
    """Start the process that forks, which ends with the context."""
    near, far = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
    process = subprocess.Popen(
        [sys.executable, __file__, str(far.fileno())],
        stdin=subprocess.PIPE,  # none of the three is a terminal, as with the commands
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        pass_fds=[far.fileno()],
        env=environment,
    )
    far.close()
    try:
        yield Forking(near)
    finally:
        near.close()
        process.communicate()


def _become_a_command(near: socket.socket) -> None:
    """Fork for each command that is asked for; return in the process that is to be the command."""
    while True:
        asked, descriptors, _, _ = socket.recv_fds(near, MOST_BYTES, 4)
        if not asked:
            sys.exit()
        if os.fork() == 0:
            break
        for each in descriptors:
            os.close(each)
        with suppress(ChildProcessError):
            while os.waitpid(-1, os.WNOHANG)[0]:
                pass
    near.close()
    command = os.fork()
    if command:
        os.write(descriptors[3], b"%d\n" % command)
        os.write(descriptors[3], b"%d\n" % os.waitstatus_to_exitcode(os.waitpid(command, 0)[1]))
        os._exit(0)
    for number, each in enumerate(descriptors[:3]):
        os.dup2(each, number)
    for each in descriptors:
        os.close(each)
    arguments, environment, folder = json.loads(asked)
    os.environ.clear()
    os.environ.update(environment)
    os.chdir(folder)
    time.tzset()
    random.seed()
    sys.argv[:] = ["-c", *arguments]  # as where `python -c` starts it


if __name__ == "__main__":
    sys.path.pop(0)  # the folder of this file
    signal.signal(signal.SIGHUP, signal.SIG_DFL)  # also where the tests run under nohup
    import ptzd.cli.commands
    from ptzd.cli import main

    for module in pkgutil.iter_modules(ptzd.cli.commands.__path__):
        importlib.import_module(f"ptzd.cli.commands.{module.name}")
    _become_a_command(socket.socket(fileno=int(sys.argv[1])))
    main()
