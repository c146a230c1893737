"""The small switch on which the tests of tuning choose gains."""

from pathlib import Path

ROOT = Path(__file__).parents[3]
HARROW = ROOT / "scenarios" / "harrow_point_reconfigure.toml"
SMALL = (
    "switch.connections=[[0,7],[13,20],[26,3],[39,41]]", "switch.moves=[]",
    "metrics.hold_from_ms=200", "duration_ms=800", "limits={}",
    "disturbances.0.correlation_s=0.05", "disturbances.0.sigma_urad=200",
)  # fmt: skip
PLAIN = (*SMALL, "controller.kind=integrator", "controller.integral_per_frame=0.1")
SETS = [part for text in PLAIN for part in ("--set", text)]
