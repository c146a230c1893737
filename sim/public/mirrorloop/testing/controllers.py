"""What every controller must keep to, shipped or not.

from mirrorloop.testing import PLANT, check_controller
check_controller(MyController(MyController.Params(...), PLANT))
"""

import math
from collections.abc import Callable
from typing import Any, Final

import numpy as np

from sim.foundations.ports import Array, PlantBelief, Setpoint, SpotStatus, TiltReading

PLANT: Final = PlantBelief(
    frame_s=1e-3,
    exposure_s=0.3e-3,
    latency_s=1e-3,
    tick_s=50e-6,
    resonance_rad_s=(2.0 * math.pi * 700.0, 2.0 * math.pi * 760.0),
    quality=(8.0, 8.0),
    amplifier_s=1.0 / (2.0 * math.pi * 4000.0),
    limit_rad=9e-3,
)
"""Camera at 1 kHz with 0.3 ms exposure, reading one frame later, mirrors near 700 and 760 Hz."""

WIDE_RAD: Final = 1e-2


def readings(n_frames: int, n_mirrors: int, seed: int = 1, scale_rad: float = 50e-6) -> Array:
    """Return made-up tilts (n_frames, M, 2). [rad]"""
    return np.random.default_rng(seed).normal(0.0, scale_rad, (n_frames, n_mirrors, 2))


def seen(tilt_rad: Array) -> TiltReading:
    """Return a reading in which every spot was found."""
    return TiltReading(tilt_rad, np.full(len(tilt_rad), SpotStatus.OK, dtype=np.uint8))


def aim(n_mirrors: int, limit_rad: float = WIDE_RAD) -> Setpoint:
    """Return a setpoint at zero with the same limits for all."""
    zeros = np.zeros((n_mirrors, 2))
    return Setpoint(zeros, zeros - limit_rad, zeros + limit_rad)


def run(
    controller: Any, tilts_rad: Array, setpoint: Setpoint, state: Any = None
) -> tuple[Any, Array]:
    """Return (last state, corrections (n_frames, M, 2)) for given readings."""
    state = controller.initial_state(tilts_rad.shape[1]) if state is None else state
    corrections_rad = np.empty_like(tilts_rad)
    for k, tilt_rad in enumerate(tilts_rad):
        state, corrections_rad[k] = controller.step(state, seen(tilt_rad), setpoint)
    return state, corrections_rad


def frozen(value: Any) -> Any:
    """Return a copy of a state or reading that compares by content, bit for bit."""
    if isinstance(value, np.ndarray):
        return value.shape, value.dtype.str, value.tobytes()
    if isinstance(value, tuple | list):
        return tuple(frozen(part) for part in value)
    if isinstance(value, dict):
        return {key: frozen(part) for key, part in value.items()}
    if hasattr(value, "__dict__"):
        return type(value).__name__, frozen(vars(value))
    return value


def check_shape(controller: Any) -> None:
    """One finite correction per mirror and axis, for any size of fleet."""
    for n_mirrors in (1, 7):
        _, corrections_rad = run(controller, readings(5, n_mirrors), aim(n_mirrors))
        assert np.isfinite(corrections_rad).all()
        _, one_rad = controller.step(
            controller.initial_state(n_mirrors), seen(readings(1, n_mirrors)[0]), aim(n_mirrors)
        )
        assert one_rad.shape == (n_mirrors, 2), one_rad.shape
        assert one_rad.dtype == np.float64, one_rad.dtype


def check_mirrors_do_not_talk(controller: Any) -> None:
    """Mirrors in another order, or fewer of them, get the same corrections to the last bit."""
    tilts_rad = readings(20, 9)
    order = np.random.default_rng(2).permutation(9)
    _, corrections_rad = run(controller, tilts_rad, aim(9))
    _, shuffled_rad = run(controller, tilts_rad[:, order], aim(9))
    np.testing.assert_array_equal(shuffled_rad, corrections_rad[:, order])
    _, alone_rad = run(controller, tilts_rad[:, 3:4], aim(1))
    np.testing.assert_array_equal(alone_rad, corrections_rad[:, 3:4])


def check_lost_spot_is_held(controller: Any) -> None:
    """A lost mirror keeps its correction exactly; its neighbours are served as always."""
    _lost_spot(controller, held=True)


def check_lost_spot_is_finite(controller: Any) -> None:
    """A lost mirror's correction stays finite; its neighbours are served as always."""
    _lost_spot(controller, held=False)


def _lost_spot(controller: Any, *, held: bool) -> None:
    setpoint = aim(4)
    state, before_rad = run(controller, readings(10, 4), setpoint)
    other_state = state
    statuses = (SpotStatus.DIM, SpotStatus.EDGE, SpotStatus.FAILED)
    for tilt_rad, status in zip(readings(30, 4, seed=3), statuses * 10, strict=True):
        lost_rad = tilt_rad.copy()
        lost_rad[1] = np.nan
        reading = TiltReading(lost_rad, np.array([0, status, 0, 0], dtype=np.uint8))
        state, correction_rad = controller.step(state, reading, setpoint)
        other_state, undisturbed_rad = controller.step(other_state, seen(tilt_rad), setpoint)
        assert np.isfinite(correction_rad).all()
        if held:
            np.testing.assert_array_equal(correction_rad[1], before_rad[-1, 1])
        np.testing.assert_array_equal(correction_rad[[0, 2, 3]], undisturbed_rad[[0, 2, 3]])
    _, again_rad = run(controller, readings(5, 4, seed=4), setpoint, state)
    assert np.isfinite(again_rad).all()


def check_limits(controller: Any) -> None:
    """No correction leaves the limits, not even when they close in while the spot is lost."""
    push_rad = np.full((40, 3, 2), [[1e-3, -1e-3]])
    tight = aim(3, 2e-4)
    state, corrections_rad = run(controller, push_rad, tight)
    assert np.all(corrections_rad >= tight.lowest_rad)
    assert np.all(corrections_rad <= tight.highest_rad)
    tighter = aim(3, 5e-5)
    lost = TiltReading(np.full((3, 2), np.nan), np.full(3, SpotStatus.DIM, dtype=np.uint8))
    for _ in range(3):
        state, correction_rad = controller.step(state, lost, tighter)
        assert np.all(np.abs(correction_rad) <= tighter.highest_rad)


def check_inputs_unchanged(controller: Any) -> None:
    """A step changes neither state nor reading nor setpoint, and repeats itself."""
    state, _ = run(controller, readings(6, 3), aim(3))
    reading, setpoint = seen(readings(1, 3, seed=5)[0]), aim(3)
    reading.tilt_rad[2] = np.nan
    reading.status[2] = SpotStatus.DIM
    before = frozen((state, reading, setpoint))
    first, first_rad = controller.step(state, reading, setpoint)
    kept_rad = first_rad.copy()
    after_one = frozen(first)
    assert frozen((state, reading, setpoint)) == before
    second, second_rad = controller.step(state, reading, setpoint)
    assert frozen(second) == after_one
    np.testing.assert_array_equal(second_rad, kept_rad)
    controller.step(first, reading, setpoint)
    np.testing.assert_array_equal(first_rad, kept_rad)


def check_hand_over(controller: Any) -> None:
    """A controller that can take over does so without a bump, and starts from zero otherwise."""
    if not hasattr(controller, "hand_over"):
        return
    standing_rad = readings(1, 5, seed=6, scale_rad=1e-3)[0]
    state = controller.hand_over(standing_rad)
    for _ in range(5):
        state, correction_rad = controller.step(state, seen(np.zeros((5, 2))), aim(5))
        # Rounding: a few operations on numbers of 1e-3 rad.
        np.testing.assert_allclose(correction_rad, standing_rad, rtol=0.0, atol=1e-15)
    assert frozen(controller.hand_over(np.zeros((5, 2)))) == frozen(controller.initial_state(5))


CHECKS: Final[tuple[Callable[[Any], None], ...]] = (
    check_shape,
    check_mirrors_do_not_talk,
    check_lost_spot_is_held,
    check_limits,
    check_inputs_unchanged,
    check_hand_over,
)


def checks_for(*, coasts: bool = False) -> tuple[Callable[[Any], None], ...]:
    """Return the checks that apply; one that coasts need not hold a lost spot's correction."""
    swap: dict[Any, Callable[[Any], None]] = (
        {check_lost_spot_is_held: check_lost_spot_is_finite} if coasts else {}
    )
    return tuple(swap.get(check, check) for check in CHECKS)


def check_controller(controller: Any, *, coasts: bool = False) -> None:
    """Raise an AssertionError at the first rule that a controller built for PLANT breaks.

    Parameters
    ----------
    controller : Controller
        Fresh, constructed for PLANT.
    coasts : bool
        True if it moves a lost mirror on its own model instead of holding the last correction.
    """
    for check in checks_for(coasts=coasts):
        check(controller)
