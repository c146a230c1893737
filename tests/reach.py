"""Which lines of the code each test reaches, and how long it takes: kept, since it takes long."""

import hashlib
import json
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

import coverage
import pytest
from _pytest.runner import runtestprotocol


class Reach:
    """Runs tests that are not known yet for their lines, and keeps what it found in a file.

    A file of tests is known as long as neither it nor anything of the code has changed.
    """

    def __init__(self, root: Path, folders: list[str], kept: Path) -> None:
        self.root, self.kept = root, kept
        places = [f"{root / folder}/*" for folder in folders]
        self.lines = coverage.Coverage(data_file=None, include=places)
        code = hashlib.sha256("".join(sorted(folders)).encode())
        for path in sorted([*root.glob("sim/**/*.py"), *root.glob("controllers/**/*.py")]):
            code.update(path.read_bytes())
        self.code = code.hexdigest()
        self.running = ""
        self.known: dict[str, dict[str, Any]] = {}
        """File of tests -> `hash`, `took` (test -> s) and `lines` (test, or the file's name for
        what its shared fixtures reach -> file -> lines)."""
        if kept.exists():
            found = json.loads(kept.read_text(encoding="utf-8"))
            self.known = found["tests"] if found["code"] == self.code else {}

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any, request: Any) -> Any:
        """Count what a shared fixture reaches for all tests of its file."""
        if fixturedef.scope == "function" or not self.running:
            return (yield)
        self.lines.switch_context(self.running.partition("::")[0])
        try:
            return (yield)
        finally:
            self.lines.switch_context(self.running)

    def learn(self, items: list[pytest.Item]) -> list[str]:
        """Run what is not known yet; return what is said of tests that fail."""
        by_file: dict[str, list[pytest.Item]] = defaultdict(list)
        for item in items:
            by_file[item.nodeid.partition("::")[0]].append(item)
        failed = []
        for name, own in by_file.items():
            now = hashlib.sha256((self.root / name).read_bytes()).hexdigest()
            if self.known.get(name, {}).get("hash") == now:
                continue
            took = {}
            self.lines.erase()
            self.lines.start()
            for item, following in zip(own, [*own[1:], None], strict=True):
                self.running = item.nodeid
                self.lines.switch_context(item.nodeid)
                began = time.process_time()
                reports = runtestprotocol(item, nextitem=following, log=False)
                took[item.nodeid] = time.process_time() - began
                if bad := [r for r in reports if r.failed]:
                    failed.append(f"{item.nodeid}: {bad[0].longreprtext}")
                    del took[item.nodeid]
            self.lines.stop()
            self.running = ""
            self.known[name] = {"hash": now, "took": took, "lines": self._lines()}
            kept = json.dumps({"code": self.code, "tests": self.known})
            self.kept.write_text(kept, encoding="utf-8")
        return failed

    def took(self) -> dict[str, float]:
        """Return the processor time of each test. [s]"""
        return {name: s for file in self.known.values() for name, s in file["took"].items()}

    def tests(self) -> dict[tuple[str, int], set[str]]:
        """Return the tests that reach each line of each file."""
        reached: dict[tuple[str, int], set[str]] = defaultdict(set)
        for name, file in self.known.items():
            for context, lines in file["lines"].items():
                names = set(file["took"]) if context == name else {context} & set(file["took"])
                for source, numbers in lines.items():
                    for number in numbers:
                        reached[source, number] |= names
        return reached

    def _lines(self) -> dict[str, dict[str, list[int]]]:
        found: dict[str, dict[str, list[int]]] = defaultdict(dict)
        data = self.lines.get_data()
        for path in data.measured_files():
            shown = str(Path(path).relative_to(self.root))
            for line, contexts in data.contexts_by_lineno(path).items():
                for context in contexts:
                    if context:
                        found[context].setdefault(shown, []).append(line)
        return found
