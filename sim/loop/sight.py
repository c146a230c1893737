"""Between tilts and spots: where they are, where the firmware expects them, what it makes of them.

Where a lens is stated or a calibration believed, truth and belief differ; without either the spot
is at scale times tilt in both. Spots are counted from that of the untilted mirror in a perfect
picture.
"""

import numpy as np

from sim.foundations.ports import Array
from sim.loop.parts import Parts


def true_px(parts: Parts, tilt_rad: Array) -> Array:
    """Return where spots (M, 2) are while mirrors hold tilts (M, 2). [px]"""
    if parts.lens is None:
        return np.asarray(parts.scale_px_per_rad * tilt_rad)
    return parts.lens.spots_px(tilt_rad)


def expected_px(parts: Parts, tilt_rad: Array) -> Array:
    """Return where the firmware expects the spots (M, 2) of tilts (M, 2). [px]"""
    if parts.believed_lens is None:
        return np.asarray(parts.scale_px_per_rad * tilt_rad)
    return parts.believed_lens.spots_px(tilt_rad)


def measured_rad(parts: Parts, spot_px: Array) -> Array:
    """Return the tilts (M, 2) that the firmware takes spots (M, 2) for; NaN stays NaN. [rad]"""
    if parts.believed_lens is None:
        return np.asarray(spot_px / parts.scale_px_per_rad)
    return parts.believed_lens.tilts_rad(spot_px)
