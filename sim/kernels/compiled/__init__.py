"""The hot loops, compiled. `sim.kernels.plain` says the physics of each in numpy and scipy.

Work is cut into blocks of sixteen mirrors, one to each lane (see `sim.kernels.vectors`), and
blocks are shared among threads. No fast-math: one and two threads, and different vector
instruction sets, agree bit for bit. Arrays run over mirrors last, (2, M), so that lanes
are contiguous.
"""

from sim.kernels.compiled.camera import expose
from sim.kernels.compiled.frames import run_frames
from sim.kernels.compiled.losses import observe_connections
from sim.kernels.compiled.normals import fill_normals
from sim.kernels.compiled.observers import observe_mirrors
from sim.kernels.compiled.plant import advance
from sim.kernels.compiled.reading import centres, draw_readings, spot_paths
from sim.kernels.compiled.recursion import filter_section
from sim.kernels.compiled.resampling import weigh_samples
from sim.kernels.compiled.scene import expose_scene

__all__ = [
    "advance",
    "centres",
    "draw_readings",
    "expose",
    "expose_scene",
    "fill_normals",
    "filter_section",
    "observe_connections",
    "observe_mirrors",
    "run_frames",
    "spot_paths",
    "weigh_samples",
]
