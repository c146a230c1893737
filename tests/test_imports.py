"""Data flows one way: a module imports only from folders before its own."""

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
FOLDERS = [
    "foundations", "mirror", "optics", "camera", "estimators", "firmware", "kernels",
    "calibration", "mechanics", "disturbances", "events", "life", "results", "controllers",
    "health", "scenario", "loop", "assembly", "report", "studies", "cli",
]  # fmt: skip
"""In the order in which a module may import."""
STUDIES = [
    "played", "run", "margins", "identify", "estimators", "connections", "built", "compare",
    "sweep", "life", "profiles", "replay", "isolators", "campaign", "health", "formats",
    "firmware", "calibrate", "deadline",
]  # fmt: skip
"""The same among the studies."""
FILES = sorted([*(ROOT / "sim").rglob("*.py"), *(ROOT / "controllers").rglob("*.py")])


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def rank(module: str) -> tuple[int, int]:
    """Place of a module in the flow; equal within one folder."""
    parts = module.split(".")
    if parts[0] == "controllers":
        return FOLDERS.index("controllers"), 0
    if parts[1:2] in ([], ["public"]):
        return len(FOLDERS) + len(parts), 0
    assert parts[1] in FOLDERS, f"{module} is in no folder of the flow: say where it belongs"
    inner = STUDIES.index(parts[2]) if parts[1] == "studies" and len(parts) > 2 else 0
    return FOLDERS.index(parts[1]), inner


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = {n for n in names if (ROOT / n.replace(".", "/")).with_suffix(".py").exists()}
            folders = {n for n in names if (ROOT / n.replace(".", "/")).is_dir()}
            found |= modules | folders or {node.module}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] in ("sim", "controllers")}


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_no_import_runs_against_the_flow(path):
    own = module_of(path)
    for other in imports(path):
        assert rank(other) <= rank(own), f"{own} imports {other}"


def test_nothing_lies_loose_beside_the_folders():
    assert {path.stem for path in (ROOT / "sim").glob("*.py")} == {"__init__"}


def test_no_two_folders_import_each_other():
    arrows = set()
    for path in FILES:
        own = module_of(path).split(".")[:2]
        for other in imports(path):
            arrows.add((tuple(own), tuple(other.split(".")[:2])))
    both = {(a, b) for a, b in arrows if a != b and (b, a) in arrows and a[0] == b[0] == "sim"}
    assert not both


def test_no_modules_import_each_other_in_a_circle():
    """Imports inside functions count as well."""
    TopologicalSorter({module_of(path): imports(path) for path in FILES}).prepare()


def test_controllers_know_the_ports_the_law_and_the_parameter_base_alone():
    for path in (ROOT / "controllers").rglob("*.py"):
        known = {"sim.foundations.params"}
        if path == ROOT / "controllers" / "__init__.py":
            known.add("sim.foundations.kinds.registry")
        outside = {name for name in imports(path) if name.startswith("sim")}
        ports = {name for name in outside if f"{name}.".startswith("sim.foundations.ports.")}
        assert outside - ports <= known, path


SLOW = [
    "scipy.stats", "scipy.optimize", "scipy.signal", "scipy.linalg", "scipy.sparse",
    "scipy.spatial", "scipy.special", "numba", "llvmlite", "matplotlib", "control", "jinja2",
    "rich", "cv2",
]  # fmt: skip
"""Each takes a tenth of a second or more to load."""


def test_a_scenario_is_checked_without_what_is_slow_to_load():
    """Every command starts with this; what a command needs besides is loaded when it is needed."""
    words = (
        "import sys, sim.assembly.plug_ins, sim.cli.main; "
        f"print([name for name in {SLOW} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", words], capture_output=True, text=True, check=True, cwd=ROOT
    )
    assert done.stdout.strip() == "[]"


def loaded_by(*words: str) -> set[str]:
    """Run a command in a process of its own, and return every module that it leaves loaded."""
    code = (
        "import sys\nfrom sim.cli.main import cli\ntry:\n    cli()\n"
        "finally:\n    print(*sorted(sys.modules), file=sys.stderr)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, *words], capture_output=True, text=True, check=True, cwd=ROOT
    )
    return set(done.stderr.split())


@pytest.mark.parametrize("case", ["single_mirror_step", "harrow_point_calibrated"])
def test_check_loads_little(case):
    """No compiled kernels, no drawing, no image library; and not much else. 1250 modules before."""
    found = loaded_by("check", case)
    assert not found & {"numba", "llvmlite", "matplotlib", "cv2", "rich", "jinja2", "control"}
    scipy = {"linalg", "optimize", "signal", "spatial", "special", "stats"}
    assert not found & {f"scipy.{name}" for name in scipy}
    assert len(found) < 700


@pytest.mark.parametrize("word", ["--help", "list"])
def test_what_is_asked_first_loads_no_numbers(word):
    found = loaded_by(word)
    assert not found & {"numpy", "scipy", "pydantic", "numba", "rich", "sim.scenario.model"}


def test_the_walk_sees_a_back_edge():
    assert rank("sim.report.page") > rank("sim.results.metrics") > rank("sim.foundations.ports")
    assert rank("sim.studies.sweep.plan") > rank("sim.studies.run.run")
    assert "sim.loop.simulate" in imports(ROOT / "sim" / "studies" / "run" / "make.py")
    assert "sim.foundations.ports" in imports(ROOT / "controllers" / "pi.py")
