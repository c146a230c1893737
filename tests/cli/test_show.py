"""What the command says about the time a run took."""

from typing import Any

from sim.cli.show import speed

PROVENANCE: dict[str, Any] = {
    "simulated_s": 2.0, "wall_s": 0.5, "threads": 2, "execution": "fused", "execution_because": [],
    "kernels": "compiled", "kernels_because": None, "start_s": 0.1,
    "spent_s": {"surroundings": 0.02, "path": 0.0, "plant": 0.08, "camera": 0.3, "control": 0.0},
}  # fmt: skip


def test_path_and_shares_are_reported() -> None:
    lines = speed(PROVENANCE)
    assert "2 s simulated in 0.5 s (4.00 x real time) on 2 threads; 0.1 s of it" in lines[0]
    assert lines[1] == "execution: fused, compiled kernels"
    assert lines[2] == "all other frames took 0.40 s: camera 75 %, plant 20 %, surroundings 5 %"


def test_slow_path_gives_its_reasons() -> None:
    slow = PROVENANCE | {
        "execution": "frame by frame", "threads": 1,
        "execution_because": ["the estimator wants whole frames", "lost spots are searched for"],
        "spent_s": {"camera": 0.0},
    }  # fmt: skip
    first, path = speed(slow)
    assert "on 1 thread;" in first
    because = "; ".join(slow["execution_because"])
    assert path == f"execution: frame by frame, compiled kernels, because {because}"
