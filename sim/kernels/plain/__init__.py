"""The hot loops in plain numpy: what the compiled kernels mean, word for word.

Same functions, same arguments, same results: plant and control to rounding, pixels bit for bit.
Single precision is used where the kernels use it, so that the two can be held together.
"""

from sim.kernels.plain.camera import expose, expose_scene
from sim.kernels.plain.normals import fill_normals
from sim.kernels.plain.observers import observe_connections, observe_mirrors
from sim.kernels.plain.plant import advance
from sim.kernels.plain.reading import centres, draw_readings, spot_paths

__all__ = [
    "advance",
    "centres",
    "draw_readings",
    "expose",
    "expose_scene",
    "fill_normals",
    "observe_connections",
    "observe_mirrors",
    "spot_paths",
]
