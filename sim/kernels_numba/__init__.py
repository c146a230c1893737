"""The hot loops, compiled. `sim.kernels_numpy` says in plain numpy what each one means.

Work is cut into blocks of sixteen mirrors, one to each lane (see `sim.lanes`), and blocks are
shared among threads. No fast-math: one and two threads, and different vector instruction sets,
agree bit for bit. Arrays run over mirrors last, (2, M), so that lanes are contiguous.
"""

from sim.kernels_numba.camera import expose
from sim.kernels_numba.frames import run_frames
from sim.kernels_numba.observers import observe_connections, observe_mirrors
from sim.kernels_numba.plant import advance
from sim.kernels_numba.reading import centres, draw_readings, spot_paths
from sim.kernels_numba.scene import expose_scene
from sim.normals_numba import fill_normals

__all__ = [
    "advance",
    "centres",
    "draw_readings",
    "expose",
    "expose_scene",
    "fill_normals",
    "observe_connections",
    "observe_mirrors",
    "run_frames",
    "spot_paths",
]
