"""The rules that parts of your own must keep to, as checks that raise an AssertionError."""

from mirrorloop.testing.controllers import PLANT, check_controller
from mirrorloop.testing.estimators import CAMERA, check_estimator, frames_of_spots
from mirrorloop.testing.watches import check_watch, sights

__all__ = [
    "CAMERA", "PLANT", "check_controller", "check_estimator", "check_watch", "frames_of_spots",
    "sights",
]  # fmt: skip
