"""Comparing pictures in a process of its own: what takes tenths of a second of computing must hold up no stop.

`main` reads the length of a still, a line break, the still and a picture, and writes one
line of JSON: a similarity, or null.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from dataclasses import asdict

from .similarity import Similarity

# -P: what lies in the folder it is started from is no module
COMMAND = (sys.executable, "-P", "-c", "from ptzd.pictures.comparing import main; main()")
PATIENCE_SECONDS = 30.0
NICENESS = 10  # whatever moves cameras goes first


async def compared_beside(still: bytes, picture: bytes) -> Similarity | None:
    """Return how a picture differs from a still; None where nobody can tell, or the process did not end well."""
    try:
        process = await asyncio.create_subprocess_exec(
            *COMMAND,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
            start_new_session=True,
        )
    except OSError:
        return None
    try:
        async with asyncio.timeout(PATIENCE_SECONDS):
            told, _ = await process.communicate(b"%d\n" % len(still) + still + picture)
        found = json.loads(told) if process.returncode == 0 else None
        return None if found is None else Similarity(**found)
    except (TimeoutError, ValueError):
        return None
    finally:
        if process.returncode is None:
            process.kill()
            await process.wait()


def main() -> None:
    """Compare what comes on the standard input."""
    from .drift import compared

    os.nice(NICENESS)
    length = int(sys.stdin.buffer.readline())
    still = sys.stdin.buffer.read(length)
    found = compared(still, sys.stdin.buffer.read())
    sys.stdout.write(json.dumps(None if found is None else asdict(found)) + "\n")
