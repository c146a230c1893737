"""The arrays that pass between parts."""

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
"""An array of double-precision numbers."""
