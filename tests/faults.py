"""Puts faults into rooms on purpose, one at a time, and says which of them the tests notice.

    .venv/bin/python tests/faults.py ptzd/guard ptzd/cameras --faults 40 --seed 1
    .venv/bin/python tests/faults.py ptzd/guard/terms.py:110

The tree is copied and only the copy is changed. A fault is tried with the tests that reach its line, quick ones first,
until one fails. Which test reaches which line is measured by one run of all tests and kept in `.faults/`; test
files that are new or changed since are measured again.

A fault is noticed when the test that fails with it, or never ends, passes without it, tried right after: on a busy
machine some fail by themselves. One whose tests would take longer than `--seconds` is tried with the quickest of them.
Logging, docstrings, annotations and what `__repr__` says are no faults.
"""

from __future__ import annotations

import argparse
import ast
import ctypes
import os
import random
import resource
import shutil
import subprocess
import sys
import tempfile
from collections import defaultdict
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from select import select

import psutil
import pytest
from reach import ROOMS, ROOT, Reach, environment, measured

PRELOADED = (
    "aiomqtt",
    "amqtt.broker",
    "click",
    "hypothesis",
    "numpy",
    "psutil",
    "pydantic",
    "pytest_asyncio.plugin",
    "rich.console",
    "structlog",
    "xdist.plugin",
)
MEMORY = 4 << 30  # bytes that tests may take: a fault may make something grow without end
PR_SET_CHILD_SUBREAPER = 36  # of prctl(2): who has lost its parent becomes a child of this process, and not of init
PATIENCE = 60.0  # seconds that a test may take beyond five times what it took when it was measured
WORDS = {"debug", "info", "warning", "error", "exception", "warn", "log", "echo"}  # calls that only say something
TURNED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.And: ast.Or, ast.Or: ast.And,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult,
}  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """`was` at byte `start` of `path` becomes `instead`; `lines` are where, `names` what is defined there."""

    path: Path
    lines: range
    start: int
    was: bytes
    instead: bytes
    names: tuple[str, ...] = ()

    def __str__(self) -> str:
        was, instead = (" ".join(each.decode().split()) for each in (self.was, self.instead))
        return f"{self.path}:{self.lines.start}: {was[:100]}  →  {instead[:100]}"

    def put_into(self, source: bytes) -> bytes:
        return source[: self.start] + self.instead + source[self.start + len(self.was) :]


def instead_of(node: ast.AST) -> Iterator[ast.expr | str]:
    """What could stand wrongly where `node` stands."""
    match node:
        case ast.Compare(left, [only], [right]):
            yield ast.Compare(left, [TURNED[type(only)]()], [right])  # type: ignore[list-item]
        case ast.BoolOp(by, values):
            yield ast.BoolOp(TURNED[type(by)](), values)  # type: ignore[arg-type]
        case ast.UnaryOp(ast.Not(), operand):
            yield operand
        case ast.BinOp(left, by, right) if type(by) in TURNED and not isinstance(left, ast.JoinedStr):
            yield ast.BinOp(left, TURNED[type(by)](), right)  # type: ignore[arg-type]
        case ast.Constant(bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(int() as value):
            yield ast.Constant(value + 1 if abs(value) < 3 else 2 * value)
        case ast.Constant(float() as value):
            yield ast.Constant(2 * value if value else 1.0)
        case ast.Call(ast.Name("min" | "max" as name), arguments, keywords):
            yield ast.Call(ast.Name("max" if name == "min" else "min"), arguments, keywords)
        case ast.keyword(str()):
            yield "**{}"  # left out
        case ast.Expr(ast.Call() | ast.Await(ast.Call())) | ast.Raise() | ast.AugAssign():
            yield "pass"
        case ast.Assign([ast.Attribute() | ast.Subscript()]):
            yield "pass"
        case ast.Return(value) if value is not None and not isinstance(value, ast.Constant):
            yield "return None"


def only_says(node: ast.AST) -> bool:
    """Whether `node` is words for people or types, and so no place for a fault."""
    match node:
        case ast.Expr(ast.Constant()) | ast.Assert() | ast.JoinedStr() | ast.Import() | ast.ImportFrom():
            return True
        case ast.Call(ast.Attribute(ast.Name(), attr)):
            return attr in WORDS
        case ast.Call(ast.Name("dataclass")):
            return True
        case ast.keyword("description" | "examples" | "help" | "metavar"):
            return True
        case ast.FunctionDef(name):
            return name in ("__repr__", "__str__")
        case ast.If(ast.Name("TYPE_CHECKING")):
            return True
        case ast.Assign([ast.Name("__all__")]):
            return True
    return False


def faults_of(path: Path, source: bytes) -> list[Fault]:
    """Every fault that could be put into one file."""
    begins = [0, *(i + 1 for i, byte in enumerate(source) if byte == 0x0A)]
    found: list[Fault] = []

    def put(node: ast.expr | ast.stmt | ast.keyword, instead: ast.expr | str, names: tuple[str, ...]) -> None:
        assert node.end_lineno is not None and node.end_col_offset is not None
        start, end = begins[node.lineno - 1] + node.col_offset, begins[node.end_lineno - 1] + node.end_col_offset
        text = instead if isinstance(instead, str) else f"({ast.unparse(ast.fix_missing_locations(instead))})"
        found.append(
            Fault(path, range(node.lineno, node.end_lineno + 1), start, source[start:end], text.encode(), names)
        )

    def walk(node: ast.AST, names: tuple[str, ...], inside: bool) -> None:
        if only_says(node) or (isinstance(node, ast.Expr) and only_says(node.value)):
            return
        if not inside and isinstance(node, (ast.Assign, ast.AnnAssign)):
            target = node.target if isinstance(node, ast.AnnAssign) else node.targets[0]
            names = (*names, target.id) if isinstance(target, ast.Name) else names
        elif not inside and isinstance(node, (ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)):
            names = (*names, node.name)
        if isinstance(node, (ast.expr, ast.stmt, ast.keyword)):
            for instead in instead_of(node):
                put(node, instead, () if inside else names)
        if isinstance(node, (ast.If, ast.IfExp, ast.While)):
            if not isinstance(node, ast.While):
                put(node.test, "True", ())
            put(node.test, "False", ())
        functions = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)
        for label, value in ast.iter_fields(node):
            if label in ("annotation", "returns", "type_params"):
                continue
            for child in value if isinstance(value, list) else [value]:
                if isinstance(child, ast.AST):
                    walk(child, names, inside or (isinstance(node, functions) and label == "body"))

    walk(ast.parse(source), (), False)
    return found


def copy_of_the_tree(into: Path) -> None:
    listed = subprocess.run(["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, check=True)
    for name in listed.stdout.decode().splitlines():
        if (ROOT / name).is_file():
            (into / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copy2(ROOT / name, into / name)


class Telling:
    """The part that runs inside pytest: writes which test begins, and which has failed."""

    def __init__(self, pipe: int) -> None:
        self._pipe = pipe

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        os.write(self._pipe, f"begins {nodeid}\n".encode())

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            os.write(self._pipe, f"failed {report.nodeid}\n".encode())

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            os.write(self._pipe, f"failed {report.nodeid}\n".encode())


def failing(tree: Path, tests: list[str], seconds: dict[str, float]) -> list[str]:
    """The first of `tests` that fails, or takes far longer than it does; all of them if none could begin."""
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.setsid()
        os.chdir(tree)
        nowhere = os.open(os.devnull, os.O_RDWR)
        for each in (0, 1, 2):
            os.dup2(nowhere, each)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        os.environ |= environment(tree)
        sys.path[:0] = [str(tree), str(tree / "simulators")]
        sys.dont_write_bytecode = False
        quiet = ["-p", "no:timeout", "-p", "no:cacheprovider", "-W", "ignore::pytest.PytestAssertRewriteWarning"]
        try:
            os.write(writing, b"ended %d\n" % pytest.main(["-x", "--no-header", *quiet, *tests], [Telling(writing)]))
        finally:
            os._exit(1)  # whatever was raised: what lies above, in the parent, would clear the tree away
    os.close(writing)
    told, test = b"\n", ""
    while b"\nended " not in told and select([reading], [], [], PATIENCE + 5 * seconds.get(test, 0.0))[0]:
        more = os.read(reading, 65536)
        if not more:
            break
        told += more
        test = told[: told.rfind(b"\n")].rpartition(b"\nbegins ")[2].partition(b"\n")[0].decode()
    end_all_descendants()
    os.close(reading)
    lines = told.decode().splitlines()
    if "ended 0" in lines:
        return []
    blamed = next((line.removeprefix("failed ") for line in lines if line.startswith("failed ")), test)
    return [test for test in tests if test == blamed or test.startswith(f"{blamed}::")] or tests


def end_all_descendants() -> None:
    """Ends what tests have started, also what has a session of its own, as a guard that a fault lets live on."""
    while alive := psutil.Process().children(recursive=True):
        for each in alive:
            with suppress(psutil.NoSuchProcess):
                each.kill()
        with suppress(ChildProcessError):  # whose parents have not ended yet become children of this process then
            os.waitpid(-1, 0)


def write(path: Path, source: bytes) -> None:
    path.write_bytes(source)
    for compiled in path.parent.glob(f"__pycache__/{path.stem}.*"):
        compiled.unlink()  # it may be as old and as long as the other


def noticed(tree: Path, fault: Fault, tests: list[str], seconds: dict[str, float]) -> list[str]:
    """Those of `tests` that notice: they fail, or never end, with the fault, and right after pass without it."""
    source = (tree / fault.path).read_bytes()
    while tests:
        write(tree / fault.path, fault.put_into(source))
        blamed = failing(tree, tests, seconds)
        write(tree / fault.path, source)
        if not blamed or not failing(tree, blamed[:1], seconds):  # all are blamed where none could begin
            return blamed
        tests = [test for test in tests if test != blamed[0]]
    return []


def in_order(tests: set[str], seconds: dict[str, float]) -> list[str]:
    """The quickest first; the third case of a test counts as three times as slow, so that others come before it."""
    cases: dict[str, int] = defaultdict(int)
    ranked: list[tuple[float, str]] = []
    for test in sorted(tests, key=lambda test: seconds[test]):
        cases[test.partition("[")[0]] += 1
        ranked.append((seconds[test] * cases[test.partition("[")[0]], test))
    return [test for _, test in sorted(ranked)]


def worth_trying(tests: set[str], fault: Fault, seconds: dict[str, float], most: float) -> list[list[str]]:
    """Tests of up to `most` seconds in the order to try them in: those of the fault's own room, then others."""
    root, *rooms, _ = fault.path.parts
    own = {test for test in tests if test.startswith("/".join(["tests", *(rooms if root == "ptzd" else [root])]))}
    groups: list[list[str]] = []
    for group in (in_order(own, seconds), in_order(tests - own, seconds)):
        while len(group) > 1 and sum(seconds[test] for each in (*groups, group) for test in each) > most:
            group.pop()
        groups.append(group)
    return groups


def room_of(path: Path) -> str:
    return str(path.parent) if path.parent.name != "ptzd" else "ptzd/*.py"


def main() -> None:
    parser = argparse.ArgumentParser(description="Put faults into rooms and say which the tests notice.")
    parser.add_argument("places", nargs="*", default=[str(ROOT / room) for room in ROOMS])
    parser.add_argument("--faults", type=int, default=40, help="how many to put into each room")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=45.0, help="of tests to try a fault with, at most")
    chosen = parser.parse_args()
    for module in PRELOADED:
        __import__(module)
    ctypes.CDLL(None).prctl(PR_SET_CHILD_SUBREAPER, 1, 0, 0, 0)
    with tempfile.TemporaryDirectory(prefix="faults-") as directory:
        tree = Path(directory)
        copy_of_the_tree(tree)
        reach: Reach = measured(tree)
        rooms: dict[str, list[Fault]] = defaultdict(list)
        for place in chosen.places:
            written, _, line = place.partition(":")
            copied = tree / Path(written).resolve().relative_to(ROOT)
            for path in sorted(copied.rglob("*.py") if copied.is_dir() else [copied]):
                name = path.relative_to(tree)
                found_here = faults_of(name, path.read_bytes())
                rooms[room_of(name)] += [fault for fault in found_here if line in ("", str(fault.lines.start))]
        table = [f"{'room':<36}{'put in':>8}{'noticed':>9}{'share':>8}"]
        for room, possible in rooms.items():
            drawn = random.Random(f"{chosen.seed} {room}").sample(possible, min(chosen.faults, len(possible)))
            found = 0
            for fault in sorted(drawn, key=lambda each: (each.path, each.start)):
                lines = (tree / fault.path).read_text().splitlines()
                reaching = reach.tests_at(str(fault.path), lines, fault.lines, fault.names)
                groups = worth_trying(reaching, fault, reach.seconds, chosen.seconds)
                by = next((by for tests in groups if (by := noticed(tree, fault, tests, reach.seconds))), [])
                found += bool(by)
                tried = sum(map(len, groups))
                what = f"noticed by {by[0]}" if by else f"NOT NOTICED by {tried} of {len(reaching)} tests"
                print(f"{fault}  {what}", flush=True)
            table.append(f"{room:<36}{len(drawn):>8}{found:>9}{found / max(1, len(drawn)):>8.0%}")
            print(table[-1], flush=True)
    print("", *table, sep="\n")


if __name__ == "__main__":
    main()
