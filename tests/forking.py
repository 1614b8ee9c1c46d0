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
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

MOST_BYTES = 100_000


class Forking:
    """The near end: each `run` is a process."""

    def __init__(self, far: socket.socket) -> None:
        self._far = far

    async def run(
        self, arguments: Sequence[str], stdin: str, seconds: float, environment: Mapping[str, str]
    ) -> tuple[int, str, str]:
        """Return the code that a command ended with, and what it wrote. Raises TimeoutError after `seconds`."""
        ours, theirs = socket.socketpair()
        with tempfile.TemporaryFile() as into, tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
            into.write(stdin.encode())
            into.seek(0)
            asked = json.dumps([arguments, dict(environment), str(Path.cwd())]).encode()
            socket.send_fds(self._far, [asked], [into.fileno(), out.fileno(), err.fileno(), theirs.fileno()])
            theirs.close()
            reader, writer = await asyncio.open_connection(sock=ours)
            pid = int(await reader.readline())
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
    sys.argv[1:] = arguments


if __name__ == "__main__":
    sys.path.pop(0)  # the folder of this file
    import ptzd.cli.commands
    from ptzd.cli import main

    for module in pkgutil.iter_modules(ptzd.cli.commands.__path__):
        importlib.import_module(f"ptzd.cli.commands.{module.name}")
    _become_a_command(socket.socket(fileno=int(sys.argv[1])))
    main()
