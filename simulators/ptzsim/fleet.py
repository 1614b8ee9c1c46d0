"""Which cameras to simulate, as a file says it or as the command line does.

```toml
[camera.gallery]
listen = "127.0.0.1:52381"
dialect = "nibble4-51"
mount = "balcony-rail"   # tripod if left out
seed = 3                 # which unit of its kind; 0 if left out
ready = true             # skip start-up; false if left out
loss = 0.0               # share of the datagrams that is lost, each way
doubled = 0.0            # share of the others that arrives twice
link = "udp"             # VISCA over IP; or bare-udp, tcp: bare messages
habits = 7               # what it makes of all that the protocol leaves open, by number; the plainest if left out
```
"""

from __future__ import annotations

import random
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from ptzd.visca import DialectError, dialect_named

from .camera import SimulatedCamera
from .habits import Habits, draw_habits
from .mount import mount_named
from .serving import loopback
from .truth import draw_truth
from .wiring import Wiring, draw_wiring

LinkKind = Literal["udp", "bare-udp", "tcp"]
Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,31}$")]


class FleetError(ValueError):
    """What is wrong with a list of cameras, in one sentence."""


@dataclass(frozen=True, slots=True)
class CameraPlan:
    """One camera to simulate."""

    name: str
    host: str
    port: int
    dialect: str
    mount: str
    seed: int
    ready: bool
    loss: float
    doubled: float = 0.0
    habits: int | None = None  # the seed of its habits; None: the plainest
    link: LinkKind = "udp"

    @property
    def wiring(self) -> Wiring:
        """What it does where a document says nothing of its link."""
        return Wiring() if self.habits is None else draw_wiring(random.Random(f"wiring {self.habits}"))

    def build(self, now: float) -> SimulatedCamera:
        """Switch it on at `now`. Raises `FleetError` for a dialect or a mount that does not exist."""
        try:
            dialect, mount = dialect_named(self.dialect), mount_named(self.mount)
        except (DialectError, ValueError) as error:
            raise FleetError(f"camera {self.name}: {error}") from None
        truth = draw_truth(dialect, random.Random(self.seed))
        habits = Habits() if self.habits is None else draw_habits(random.Random(self.habits))
        return SimulatedCamera(dialect, truth=truth, mount=mount, started_at=now, ready=self.ready, habits=habits)


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class _Camera(_Model):
    listen: str
    dialect: str
    mount: str = "tripod"
    seed: Annotated[int, Field(ge=0)] = 0
    ready: bool = False
    loss: Annotated[float, Field(ge=0.0, le=0.9)] = 0.0
    doubled: Annotated[float, Field(ge=0.0, le=0.9)] = 0.0
    habits: Annotated[int, Field(ge=0)] | None = None
    link: LinkKind = "udp"


class _File(_Model):
    camera: Annotated[dict[Name, _Camera], Field(min_length=1)]


def parse_listen(text: str) -> tuple[str, int]:
    """Read HOST:PORT, HOST being this machine. Raises ValueError with a sentence."""
    host, colon, port = text.rpartition(":")
    if not colon or not port.isdecimal() or not 0 < int(port) < 65536:
        raise ValueError(f"{text!r} is no HOST:PORT with a port from 1 to 65535: write it as 127.0.0.1:52381")
    return loopback(host.removeprefix("[").removesuffix("]")), int(port)


def read_fleet(path: Path) -> list[CameraPlan]:
    """Read a file of cameras. Raises `FleetError`."""
    try:
        cameras = _File.model_validate(tomllib.loads(path.read_text("utf-8"))).camera
    except (OSError, UnicodeDecodeError) as error:
        raise FleetError(f"the file {path} can't be read: {error}") from None
    except tomllib.TOMLDecodeError as error:
        raise FleetError(f"the file {path} is no valid TOML: {error}") from None
    except ValidationError as error:
        wrong = "; ".join(f"{'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors())
        raise FleetError(f"the file {path} is not as it should be: {wrong}") from None
    plans = []
    for name, camera in cameras.items():
        try:
            host, port = parse_listen(camera.listen)
        except ValueError as error:
            raise FleetError(f"camera {name}: {error}") from None
        plans.append(CameraPlan(name=name, host=host, port=port, **camera.model_dump(exclude={"listen"})))
    return plans
