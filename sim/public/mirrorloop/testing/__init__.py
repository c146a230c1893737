"""The rules that parts of your own must keep to, as checks that raise an AssertionError."""

from mirrorloop.testing.controllers import PLANT, check_controller
from mirrorloop.testing.estimators import CAMERA, check_estimator, frames_of_spots

__all__ = ["CAMERA", "PLANT", "check_controller", "check_estimator", "frames_of_spots"]
