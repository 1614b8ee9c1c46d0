"""Which tests reach which line of the rooms: measured in one run of all of them, with `coverage`.

The half of this that runs inside pytest tells coverage which test is at work, and the processes that a test starts too.
What a fixture of several tests reaches counts for each of them.
"""

from __future__ import annotations

import difflib
import hashlib
import os
import pickle
import subprocess
import sys
import time
from collections import defaultdict
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from coverage import Coverage

ROOT = Path(__file__).resolve().parent.parent
STARTUP = """import os
if "COVERAGE_PROCESS_START" in os.environ:
    import coverage
    coverage.process_startup()
"""  # coverage's own way into processes is a file of the environment that it is installed in, and that may be another
CACHE = ROOT / ".faults" / "reach.pickle"
ROOMS = ("ptzd", "simulators")


@dataclass
class Reach:
    """Which tests reach which line, what each takes, and the texts that this was measured for."""

    texts: dict[str, str] = field(default_factory=dict)
    seconds: dict[str, float] = field(default_factory=dict)  # of tests that passed
    lines: dict[str, dict[int, set[str]]] = field(default_factory=dict)
    hashes: dict[str, str] = field(default_factory=dict)  # of test files

    def forget_all_but(self, files: set[str]) -> None:
        """Know nothing any more of tests whose file is gone."""
        self.seconds = {test: took for test, took in self.seconds.items() if test.partition("::")[0] in files}
        self.hashes = {file: digest for file, digest in self.hashes.items() if file in files}
        self.lines = {
            path: {number: tests & self.seconds.keys() for number, tests in lines.items()}
            for path, lines in self.lines.items()
        }

    def tests_at(self, path: str, now: list[str], lines: range, names: tuple[str, ...]) -> set[str]:
        """The tests that reach `lines` of a file as it is `now`; of what a module defines, a use of its `names`."""
        if names:
            places = [
                (each, number)
                for each, text in self.texts.items()
                for number, line in enumerate(text.splitlines(), 1)
                if any(name in line for name in names)
            ]
        else:
            match = difflib.SequenceMatcher(None, self.texts.get(path, "").splitlines(), now, autojunk=False)
            places = []
            for tag, old, old_end, new, new_end in match.get_opcodes():
                for number in range(max(new + 1, lines.start), min(new_end + 1, lines.stop)):
                    if tag == "equal":
                        places.append((path, number - new + old))
                    else:  # changed since: what reaches the lines beside it reaches it
                        places += [(path, each) for each in range(old, old_end + 2)]
        found = {test for each, number in places for test in self.lines.get(each, {}).get(number, ())}
        if names and not found:
            found = {test for tests in self.lines.get(path, {}).values() for test in tests}
        kept = {test.partition("::")[0] for test in found if "@cache" in (ROOT / test.partition("::")[0]).read_text()}
        return {test for test in self.seconds if test in found or test.partition("::")[0] in kept}


def measured(tree: Path) -> Reach:
    """Who reaches what: from the cache, with the test files measured anew that it does not know as they are."""
    reach: Reach = pickle.loads(CACHE.read_bytes()) if CACHE.exists() else Reach()
    reach.forget_all_but({str(path.relative_to(tree)) for path in (tree / "tests").rglob("test_*.py")})
    settings = tree / ".faults.ini"
    sources = "\n ".join(str(tree / room) for room in ROOMS)
    settings.write_text(
        f"[run]\nparallel = True\nsigterm = True\nsource =\n {sources}\n"
        f"data_file = {tree}/.coverage\ncontext = ${{FAULTS_TEST-}}\ndisable_warnings = no-data-collected\n"
    )
    (tree / "sitecustomize.py").write_text(STARTUP)
    for path in sorted((tree / "tests").rglob("test_*.py")):
        name, digest = str(path.relative_to(tree)), hashlib.sha256(path.read_bytes()).hexdigest()
        if "bench" in path.parts or reach.hashes.get(name) == digest:
            continue
        print("measuring which lines are reached by", name, flush=True)
        run = ["-m", "coverage", "run", f"--rcfile={settings}", "-m", "pytest", "-p", "reach", "-p", "no:timeout"]
        quiet = subprocess.DEVNULL
        subprocess.run([sys.executable, *run, name], cwd=tree, env=environment(tree), check=False, stdout=quiet)
        reach = with_measurements(reach, tree, settings, {name: digest})
        CACHE.parent.mkdir(exist_ok=True)
        CACHE.write_bytes(pickle.dumps(reach))
    return reach


def with_measurements(reach: Reach, tree: Path, settings: Path, files: dict[str, str]) -> Reach:
    """`files` are those measured now, with their hashes; what is known of others goes to the lines as they are."""
    coverage = Coverage(config_file=str(settings))
    coverage.combine([str(tree)])
    data = coverage.get_data()
    kept = {test: took for test, took in reach.seconds.items() if test.partition("::")[0] not in files}
    new = Reach(seconds=kept, hashes=reach.hashes | files)
    users: dict[str, set[str]] = defaultdict(set)  # of fixtures that several tests share
    for line in (tree / ".tests").read_text().splitlines():
        test, took, *fixtures = line.split("\t")
        new.seconds[test] = float(took)
        for fixture in fixtures:
            users[f"fixture {fixture}"].add(test)
    sources = sorted(path for room in ROOMS for path in (tree / room).rglob("*.py"))
    for path in sources:
        name = str(path.relative_to(tree))
        new.texts[name] = text = path.read_text()
        old = difflib.SequenceMatcher(None, reach.texts.get(name, "").splitlines(), text.splitlines(), autojunk=False)
        known = reach.lines.get(name, {})
        lines: dict[int, set[str]] = defaultdict(set)
        for tag, begin, end, new_begin, new_end in old.get_opcodes():
            for number in range(new_begin + 1, new_end + 1):
                # what reached the lines beside one that has changed reaches it
                at = [number - new_begin + begin] if tag == "equal" else range(begin, end + 2)
                lines[number] |= set().union(*(known.get(each, ()) for each in at)) & new.seconds.keys()
        for number, contexts in data.contexts_by_lineno(str(path)).items():
            for context in contexts:
                lines[number] |= users.get(context, {context} & new.seconds.keys())
        new.lines[name] = dict(lines)
    coverage.erase()
    return new


def environment(tree: Path) -> dict[str, str]:
    paths = os.pathsep.join(str(tree / each) for each in (".", "simulators", "tests"))
    return os.environ | {"PYTHONPATH": paths, "PYTHONDONTWRITEBYTECODE": ""}


class Measuring:
    """The part that runs inside pytest: tells coverage, and processes that a test starts, which test it is."""

    def __init__(self) -> None:
        self._began = 0.0
        self._file = Path(".tests").open("w")  # noqa: SIM115 - open for as long as pytest runs

    def turn_to(self, context: str) -> None:
        current = Coverage.current()
        assert current is not None
        current.switch_context(context)
        os.environ |= {"COVERAGE_PROCESS_START": str(Path(".faults.ini").resolve()), "FAULTS_TEST": context}

    def pytest_runtest_logstart(self, nodeid: str) -> None:
        self._began = time.monotonic()
        self.turn_to(nodeid)

    def pytest_fixture_setup(self, fixturedef: pytest.FixtureDef[object], request: pytest.FixtureRequest) -> None:
        own = fixturedef.scope == "function"
        self.turn_to(request.node.nodeid if own else f"fixture {fixturedef.argname}")

    def pytest_runtest_call(self, item: pytest.Item) -> None:
        self.turn_to(item.nodeid)

    def pytest_runtest_makereport(self, item: pytest.Item, call: pytest.CallInfo[None]) -> None:
        if call.when == "call" and call.excinfo is None:
            fixtures = "\t".join(getattr(item, "fixturenames", ()))
            self._file.write(f"{item.nodeid}\t{time.monotonic() - self._began:.4f}\t{fixtures}\n")
            self._file.flush()


def pytest_configure(config: pytest.Config) -> None:
    config.pluginmanager.register(Measuring())
