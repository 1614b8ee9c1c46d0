"""The configuration file: what can stand in it, and every mistake in it at once.

Each field's description goes after "it must be" in a message, and into the JSON Schema.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from ipaddress import ip_address
from itertools import pairwise
from math import ceil, floor
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    ValidationInfo,
    WithJsonSchema,
)

from ptzd.files import Complaint, Name, Table, read_file
from ptzd.likely import did_you_mean
from ptzd.links import Address, LinkAddress, SerialAddress, parse_link
from ptzd.motion import USUAL_SECONDS_ACROSS
from ptzd.names import NAME_PATTERN, checked_base
from ptzd.pictures import checked_url
from ptzd.visca import Dialect, dialect_named, dialect_names, read_dialect


def _beside(path: Path, info: ValidationInfo) -> Path:
    folder = (info.context or {}).get("folder")
    return folder / path if folder else path


def _makeable(path: Path, info: ValidationInfo) -> Path:
    path = _beside(path, info)
    if not path.parent.is_dir():
        raise ValueError(
            f"there is no folder {path.parent}; make it, or write another path (a relative one starts at the "
            "configuration file's folder)"
        )
    return path


def _existing(path: Path, info: ValidationInfo) -> Path:
    path = _beside(path, info)
    if not path.is_file():
        raise ValueError(f"there is no file {path}; a relative path starts at the configuration file's folder")
    return path


def _link(value: object) -> Address:
    if isinstance(value, LinkAddress | SerialAddress):
        return value
    if not isinstance(value, str):
        raise ValueError('the link is no text in quotes; write it as "udp://HOST:PORT"')
    return parse_link(value)


def _dialect(value: str, info: ValidationInfo) -> str:
    if value.endswith(".toml"):
        path = _existing(Path(value), info)
        read_dialect(path)
        return str(path)
    known = dialect_names()
    if value in known:
        return value
    raise ValueError(f"there is no dialect {value!r}; {did_you_mean(value, known)} Or name a dialect's .toml file")


FocalLength = tuple[float, float] | tuple[tuple[int, float], ...]
_FOCAL_LENGTH = (
    "[shortest, longest] in mm, such as [100, 400], or a table [[zoom counts, mm], ...] in which both grow, "
    "such as [[0, 100], [8192, 220], [16384, 400]]"
)


def _focal_length(value: object) -> FocalLength:
    wrong = ValueError(f"this is no focal length; it must be {_FOCAL_LENGTH}")
    if not isinstance(value, list | tuple) or len(value) < 2:
        raise wrong
    if all(isinstance(row, list | tuple) for row in value):
        rows = [tuple(row) for row in value]
        if not all(len(row) == 2 and _is_number(row[0]) and _is_number(row[1]) for row in rows):
            raise wrong
        table = tuple((int(counts), float(length)) for counts, length in rows)
        grows = all(one[0] < two[0] and one[1] < two[1] for one, two in pairwise(table))
        if table[0][0] < 0 or table[0][1] <= 0 or not grows or any(row[0] != int(row[0]) for row in rows):
            raise wrong
        return table
    if len(value) != 2 or not all(_is_number(length) for length in value) or not 0 < value[0] <= value[1]:
        raise wrong
    return float(value[0]), float(value[1])


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e6


NARROWEST_WINDOW_DEG = 1.0  # wider by far than a count of any head, so that there is always a place inside


def _edges(value: tuple[float, float]) -> tuple[float, float]:
    least, most = value
    if most - least < NARROWEST_WINDOW_DEG:
        raise ValueError(
            f"{least:g}° to {most:g}° is no range; write the lesser angle first and the greater one "
            f"{NARROWEST_WINDOW_DEG:g}° above it or more, such as [-60, 60]"
        )
    return value


def _inside_reach(window: WindowConfig, info: ValidationInfo) -> WindowConfig:
    if window.pan_deg is None and window.tilt_deg is None:
        raise ValueError("it is empty; write pan_deg = [least, most], tilt_deg = [least, most] or both in it")
    if "dialect" not in info.data:  # told where that is read
        return window
    head = dialect_named(info.data["dialect"])
    for axis, edges, (least, most) in (
        ("pan_deg", window.pan_deg, head.pan.reach_deg),
        ("tilt_deg", window.tilt_deg, head.tilt.reach_deg),
    ):
        if edges is not None and not least <= edges[0] < edges[1] <= most:
            raise ValueError(
                f"{axis} {edges[0]:g}° to {edges[1]:g}° goes beyond the head's reach; stay within {ceil(least)} and "
                f"{floor(most)}"
            )
    return window


NewFile = Annotated[Path, Field(strict=False), AfterValidator(_makeable)]
OwnFile = Annotated[Path, Field(strict=False), AfterValidator(_beside)]
ExistingFile = Annotated[Path, Field(strict=False), AfterValidator(_existing)]
Degrees = Annotated[float, Field(ge=-360, le=360)]
Edges = Annotated[tuple[Degrees, Degrees], AfterValidator(_edges)]
Millimetres = Annotated[float, Field(gt=0, le=1000)]
CameraLink = Annotated[
    Address,
    PlainValidator(_link),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^(udp://[^/?#@]+|(tcp|bare-udp)://[^/?#@]+:[0-9]+|serial:/[^?#]+(\?[a-z]+=[0-9]+(&[a-z]+=[0-9]+)*)?)$",
        }
    ),
]
CameraDialect = Annotated[str, AfterValidator(_dialect)]


class BrokerConfig(Table):
    """The MQTT broker."""

    host: str = Field(
        default="127.0.0.1", min_length=1, description="the broker's name or address", examples=["127.0.0.1"]
    )
    port: int = Field(default=1883, ge=1, le=65535, description="a TCP port from 1 to 65535", examples=[1883])
    protocol: Literal["3.1.1", "5"] = Field(default="5", description='the MQTT version in quotes, "3.1.1" or "5"')
    username: str | None = Field(default=None, min_length=1, description="the name to log in with")
    # It need not be there for who reads the configuration: a service manager gives it to the daemon alone.
    password_file: OwnFile | None = Field(default=None, description="a file whose first line is the password")
    ca_file: ExistingFile | None = Field(
        default=None, description="a file of certificates to trust, which turns TLS on"
    )
    base_topic: Annotated[str, AfterValidator(checked_base)] = Field(
        default="ptzd", description="the start of all topics"
    )


class StoreConfig(Table):
    """Where the positions are kept."""

    path: NewFile = Field(description="the store's file, in a folder that exists", examples=["show.db"])


class RecallConfig(Table):
    """How recalls are taken."""

    late_after_seconds: float = Field(
        default=2.0,
        gt=0,
        le=60,
        description="the age in seconds past which a recall is refused, more than 0 and at most 60",
    )


class TallyConfig(Table):
    """Who tells which camera is on air."""

    source: Literal["messages", "none"] = Field(
        default="messages",
        description='"messages" where the vision mixer\'s tally is published, "none" where nobody tells and a camera '
        "counts as off air until somebody does",
    )


class ShowConfig(Table):
    """The running order, where the daemon is to run cues: `[show]`."""

    file: ExistingFile = Field(description="a show file with the cues", examples=["evening.toml"])
    once_within_seconds: float = Field(
        default=0.3,
        ge=0,
        le=5,
        description="the seconds within which a go pressed twice counts once, 0 to 5; 0 where each counts",
    )


class PageKeyConfig(Table):
    """Who may enter the page, under `[page.key.NAME]`."""

    file: OwnFile = Field(description="a file whose first line is the key, drawn by lot", examples=["desk.key"])
    may: Literal["look", "operate"] = Field(description='"look", or "operate" to move cameras too')


class PageConfig(Table):
    """The operator's page, where there is to be one: `[page]`."""

    host: str = Field(default="127.0.0.1", min_length=1, description="the address of this computer to listen on")
    port: int = Field(default=8790, ge=1, le=65535, description="a TCP port, 1 to 65535")
    hosts: list[str] = Field(
        default=[], description="the names under which browsers reach the page", examples=[["desk.local"]]
    )
    certificate_file: ExistingFile | None = Field(default=None, description="a certificate in PEM form, for TLS")
    certificate_key_file: OwnFile | None = Field(default=None, description="the certificate's key in PEM form")
    behind_proxy: bool = Field(
        default=False, description="true where a proxy on this computer or its own network speaks TLS to browsers"
    )
    key: dict[Name, PageKeyConfig] = Field(default={}, description="tables [page.key.NAME]")


class WindowConfig(Table):
    """Between which angles a head may turn: `window` of a camera."""

    pan_deg: Edges | None = Field(default=None, strict=False, description="[least, most] in degrees, 0 at home")
    tilt_deg: Edges | None = Field(default=None, strict=False, description="[least, most] in degrees, 0 at home")


class SecondsAcrossConfig(Table):
    """How fast a grip is: `seconds_across` of a camera."""

    fine: float = Field(default=USUAL_SECONDS_ACROSS.fine, ge=0.3, le=60, description="seconds from 0.3 to 60")
    fast: float = Field(default=USUAL_SECONDS_ACROSS.fast, ge=0.3, le=60, description="seconds from 0.3 to 60")


class MemoriesConfig(Table):
    """The camera's own memories, by which it is recalled off air: `memories` of a camera."""

    count: int = Field(ge=1, le=256, description="how many it has, 1 to 256; they are numbered from 0")
    speed: bool = Field(default=False, description="true where it takes the speed at which a memory is recalled")


Hex = Annotated[str, Field(pattern="^[0-9A-Fa-f]{4}$")]


class ExpectsConfig(Table):
    """What a camera is to tell of itself: `expects` of a camera. `ptzd check` prints what it does tell."""

    vendor: Hex | None = Field(default=None, description='four digits in quotes, as "0001"')
    model: Hex | None = Field(default=None, description='four digits in quotes, as "0001"')
    rom: Hex | None = Field(default=None, description='four digits in quotes, as "0100"')

    def unlike(self, told: Mapping[str, str]) -> dict[str, str]:
        """Return those of these that a camera tells otherwise; `told` has all three in capital letters."""
        expected = {name: text.upper() for name, text in self.model_dump().items() if text is not None}
        return {name: text for name, text in expected.items() if told[name] != text}


class CameraConfig(Table):
    """One camera, under `[camera.NAME]`."""

    model_config = ConfigDict(
        # JSON Schema's way of saying: not both
        json_schema_extra={"not": {"required": ["tolerance_counts", "tolerance_deg"]}}
    )

    link: CameraLink = Field(
        description="the camera's address, udp://HOST:PORT, tcp://HOST:PORT, bare-udp://HOST:PORT or "
        "serial:/dev/ttyUSB0?address=1",
        examples=["udp://127.0.0.1:52381", "serial:/dev/ttyUSB0?address=2"],
    )
    dialect: CameraDialect = Field(
        min_length=1, description="a known dialect's name or a dialect's .toml file", examples=["nibble4-51"]
    )
    label: str = Field(default="", max_length=100, description="a text for people of at most 100 characters")
    sensor: tuple[Millimetres, Millimetres] | None = Field(
        default=None,
        strict=False,
        description="[width, height] of the sensor in mm, of which a 16:9 picture is taken",
        examples=[[35.9, 24.0]],
    )
    focal_length: (
        Annotated[
            FocalLength,
            PlainValidator(_focal_length),
            WithJsonSchema(
                {
                    "type": "array",
                    "minItems": 2,
                    "anyOf": [
                        {"maxItems": 2, "items": {"type": "number", "exclusiveMinimum": 0}},
                        {
                            "items": {
                                "type": "array",
                                "prefixItems": [
                                    {"type": "integer", "minimum": 0},
                                    {"type": "number", "exclusiveMinimum": 0},
                                ],
                                "minItems": 2,
                                "maxItems": 2,
                            }
                        },
                    ],
                }
            ),
        ]
        | None
    ) = Field(default=None, description=_FOCAL_LENGTH)
    mount: Name = Field(
        default="tripod", description="a short name of what the head stands on", examples=["balcony-rail"]
    )
    seconds_across: SecondsAcrossConfig = Field(
        default=SecondsAcrossConfig(),
        description="a table of the seconds that a full push by hand takes across the picture, { fine = 7, fast = 2 }",
    )
    memories: MemoriesConfig | None = Field(
        default=None,
        description="a table, to recall off air by the camera's own memories: { count = 6, speed = false }",
    )
    overhead: bool = Field(default=False, description="true where the camera hangs over people, else false")
    window: Annotated[WindowConfig, AfterValidator(_inside_reach)] | None = Field(
        default=None,
        description="a table of the angles between which the head may turn, { pan_deg = [least, most], "
        "tilt_deg = [least, most] }",
        examples=[{"pan_deg": [-60, 60], "tilt_deg": [-10, 30]}],
    )
    expects: ExpectsConfig | None = Field(
        default=None,
        description="a table of what the camera is to tell of itself, { vendor, model, rom }, each four digits",
        examples=[{"model": "0001", "rom": "0100"}],
    )
    moved_by_others: Literal["halt", "report"] = Field(
        default="halt",
        description='"halt" to stop a head that moves though nobody here sent it, or "report" only to tell of it',
    )
    on_air_moves: Literal["ask", "allow", "refuse"] = Field(default="ask", description='"ask", "allow" or "refuse"')
    speed: int = Field(
        default=24, ge=1, le=24, description="the speed step of a recall that names none, 1 (slowest) to 24 (fastest)"
    )
    on_air_speed: int = Field(
        default=12, ge=1, le=24, description="the same for a recall while the camera is on air, 1 to 24"
    )
    frame_rate: float = Field(
        default=25.0, ge=10, le=240, description="the pictures a second, 10 to 240", examples=[25]
    )
    tolerance_counts: int = Field(
        default=1, ge=0, le=1000, description="how many counts off still counts as there, 0 to 1000"
    )
    tolerance_deg: float | None = Field(
        default=None, gt=0, le=5, description="how many degrees off still counts as there, more than 0 and at most 5"
    )
    head_model: ExistingFile | None = Field(default=None, description="a file that `ptzd learn` wrote for this head")
    picture: Annotated[str, AfterValidator(checked_url)] | None = Field(
        default=None,
        description="the address of what the camera sees, a JPEG over HTTP",
        examples=["http://127.0.0.1:8081/left.jpg"],
    )
    picture_username: str | None = Field(
        default=None, min_length=1, max_length=100, description="the name to log in with where the picture needs one"
    )
    picture_password_file: OwnFile | None = Field(
        default=None, description="a file whose first line is the password of that login"
    )
    focus: Literal["stored", "auto"] = Field(
        default="stored", description='"stored" to bring the focus back too, or "auto" to let the camera focus'
    )


def _each_name_one_dialect(cameras: dict[str, CameraConfig]) -> dict[str, CameraConfig]:
    """Stored positions know a dialect by its name."""
    read: dict[str, tuple[str, str, Dialect]] = {}
    for name, camera in cameras.items():
        dialect = dialect_named(camera.dialect)
        first, file, same = read.setdefault(dialect.name, (name, camera.dialect, dialect))
        if dialect != same:
            raise ValueError(
                f"the dialect {dialect.name} of camera {first} ({file}) and that of camera {name} ({camera.dialect}) "
                "have one name and other figures; give one of them another name"
            )
    return cameras


class Config(Table):
    """The whole file."""

    broker: BrokerConfig = Field(default=BrokerConfig(), description="a table [broker]")
    store: StoreConfig = Field(description="a table [store] with a path in it")
    recall: RecallConfig = Field(default=RecallConfig(), description="a table [recall]")
    tally: TallyConfig = Field(default=TallyConfig(), description="a table [tally]")
    show: ShowConfig | None = Field(default=None, description="a table [show] with a file in it")
    page: PageConfig | None = Field(default=None, description="a table [page]")
    camera: Annotated[dict[Name, CameraConfig], AfterValidator(_each_name_one_dialect)] = Field(
        min_length=1,
        description="at least one table [camera.NAME]",
        json_schema_extra={"propertyNames": {"pattern": NAME_PATTERN}},
    )


def load_config(path: Path) -> Config:
    """Read a configuration file. Paths in it start at its own folder. Raises TextFileError with all mistakes in it."""
    return read_file(path, Config, _across)


class _BrokerTable(BaseModel):
    broker: BrokerConfig = BrokerConfig()


def broker_config(path: Path) -> BrokerConfig:
    """Return the broker of a file that may have mistakes elsewhere. Raises TextFileError where its table has some."""
    return read_file(path, _BrokerTable).broker


def config_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the file. It can't say that an address is used once or that a file exists."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "ptzd configuration",
        **{key: value for key, value in Config.model_json_schema().items() if key != "title"},
    }


def _across(raw: Mapping[str, Any]) -> Iterator[Complaint]:
    """What no field can see by itself, in tables of which nothing is known yet."""
    broker = raw.get("broker")
    if isinstance(broker, dict) and "password_file" in broker and "username" not in broker:
        yield Complaint(("broker", "password_file"), "a password needs a name; write username = … beside it")
    if isinstance(page := raw.get("page"), dict):
        yield from _open_to_others(page)
    cameras = raw.get("camera")
    addresses: dict[Address, str] = {}
    ports: dict[str, tuple[SerialAddress, str]] = {}
    for name, camera in cameras.items() if isinstance(cameras, dict) else ():
        if not isinstance(camera, dict):
            continue
        for field, needs in (("picture_username", "picture"), ("picture_password_file", "picture_username")):
            if field in camera and needs not in camera:
                yield Complaint(("camera", name, field), f"it means nothing alone; write {needs} = … beside it")
        if "tolerance_counts" in camera and "tolerance_deg" in camera:
            yield Complaint(("camera", name, "tolerance_deg"), "tolerance_counts is given too; keep one of the two")
        try:
            address = _link(camera.get("link"))
        except ValueError:  # told where the field is read
            continue
        first = addresses.setdefault(address, name)
        if first != name:
            yield Complaint(
                ("camera", name, "link"),
                f"camera {first} has the address {address} too; give each camera its own, two would fight over one",
            )
        if isinstance(address, SerialAddress):
            other, beside = ports.setdefault(address.device, (address, name))
            if (other.baud, other.cameras) != (address.baud, address.cameras):
                yield Complaint(
                    ("camera", name, "link"),
                    f"camera {beside} has {address.device} with another baud rate or number of cameras; write baud and "
                    "cameras alike for all on one port",
                )


def _open_to_others(page: Mapping[str, Any]) -> Iterator[Complaint]:
    """What a page needs that others than this computer reach."""
    if ("certificate_file" in page) != ("certificate_key_file" in page):
        yield Complaint(("page",), "certificate_file and certificate_key_file belong together; give both or neither")
    host = page.get("host", "127.0.0.1")
    if not isinstance(host, str) or host == "localhost" or _is_loopback(host):
        return
    if not page.get("key"):
        yield Complaint(
            ("page", "host"),
            f"{host} is open to other computers, and whoever reaches the page could move cameras; add a table "
            "[page.key.NAME] for each who may, or keep to 127.0.0.1",
        )
    if "certificate_file" not in page and page.get("behind_proxy") is not True:
        yield Complaint(
            ("page", "host"),
            f"{host} is open to other computers, and keys would cross the network in the clear; give certificate_file "
            "and certificate_key_file, or say behind_proxy = true where a proxy speaks TLS",
        )


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
