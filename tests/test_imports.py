"""Data flows one way: a module imports only from layers below its own."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
LAYERS = [
    {"sim.errors", "sim.params", "sim.ports", "sim.rng", "sim.approximations", "sim.lanes",
     "sim.compiled", "sim.stopwatch"},
    {"sim.normals_numba", "sim.recursion"},
    {"sim.filing", "sim.registry", "sim.second_order", "sim.band_limited", "sim.traces"},
    {"sim.shock_spectrum", "sim.recorded", "sim.settling"},
    {"sim.mirror", "sim.drive", "sim.camera", "sim.bracket", "sim.isolator",
     "sim.optics", "sim.estimators", "sim.disturbances", "controllers"},
    {"sim.fleet", "sim.metrics", "sim.limits", "sim.switch", "sim.sensor",
     "sim.shutter", "sim.search", "sim.noise_table"},
    {"sim.kernels_numpy", "sim.kernels_numba", "sim.eye", "sim.reference", "sim.scenario"},
    {"sim.epochs", "sim.parts", "sim.schema", "sim.mosaic", "sim.portable"},
    {"sim.surroundings", "sim.motion", "sim.frame_path"},
    {"sim.recorder"},
    {"sim.frame_by_frame"},
    {"sim.fused"},
    {"sim.loop"},
    {"sim.build", "sim.report"},
    {"sim.result", "sim.gallery"},
    {"sim.runner", "sim.sweep"},
    {"sim.loops", "sim.bench"},
    {"sim", "sim.cli"},
]  # fmt: skip
FILES = sorted([*(ROOT / "sim").rglob("*.py"), *(ROOT / "controllers").rglob("*.py")])


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def layer(module: str) -> int:
    family = module if module == "sim" else ".".join(module.split(".")[:2])
    for i, members in enumerate(LAYERS):
        if family in members or ("controllers" in members and module.startswith("controllers")):
            return i
    raise AssertionError(f"{module} is on no layer: say where it belongs")


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            names = {f"{node.module}.{alias.name}" for alias in node.names}
            modules = {n for n in names if (ROOT / n.replace(".", "/")).with_suffix(".py").exists()}
            found |= modules or {node.module}
        elif isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
    return {name for name in found if name.split(".")[0] in ("sim", "controllers")}


@pytest.mark.parametrize("path", FILES, ids=module_of)
def test_no_import_runs_against_the_flow(path):
    own = module_of(path)
    family = ".".join(own.split(".")[:2])
    for other in imports(path):
        same = other.split(".")[0] == "controllers" == own.split(".")[0]
        if same or other == family or other.startswith(family + "."):
            continue
        assert layer(other) < layer(own), f"{own} imports {other}"


def test_controllers_know_the_seam_and_the_parameter_base_alone():
    for path in (ROOT / "controllers").rglob("*.py"):
        outside = {name for name in imports(path) if name.startswith("sim")}
        assert outside <= {"sim.ports", "sim.params"}, (path, outside)


def test_the_walk_sees_a_back_edge():
    assert layer("sim.report.page") > layer("sim.metrics") > layer("sim.traces")
    assert "sim.loop" in imports(ROOT / "sim" / "runner.py")
    assert "sim.ports" in imports(ROOT / "controllers" / "pi.py")
