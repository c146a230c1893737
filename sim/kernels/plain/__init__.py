"""The hot loops in plain numpy and scipy: the physics that the compiled kernels compute.

Same functions, same arguments, same random words. Everything is worked out in double precision by
a library's functions (`erf`, `log`, `cos`), where the compiled kernels have single precision and
polynomials. So the two agree within bounds: pixels within one digital number, and less than one in
a thousand of them off; normals within 5e-4 where their radius is near zero, and else 2e-6; plant
and control to rounding while the readings are the same. A flipped pixel may flip a code of the
drive, so runs agree within a few codes.
"""

from sim.kernels.plain.camera import expose, expose_scene
from sim.kernels.plain.control import control
from sim.kernels.plain.normals import fill_normals
from sim.kernels.plain.observers import observe_connections, observe_mirrors
from sim.kernels.plain.plant import advance
from sim.kernels.plain.reading import centres, draw_readings, spot_paths
from sim.kernels.plain.signals import filter_section, weigh_samples

__all__ = [
    "advance",
    "centres",
    "control",
    "draw_readings",
    "expose",
    "expose_scene",
    "fill_normals",
    "filter_section",
    "observe_connections",
    "observe_mirrors",
    "spot_paths",
    "weigh_samples",
]
