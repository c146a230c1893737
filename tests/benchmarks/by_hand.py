"""The opponents: the same loop as an engineer would script it, on general libraries alone.

One mirror after the other: `scipy.integrate.solve_ivp` (or python-control's response of a nonlinear
system) through each frame, a numpy image with Poisson noise, `cv2.moments`, a PI controller. The
numbers are those of the product's own parts. What the product does beyond that is left out here,
which favours the script: amplifier noise, errors and losses between frames, lost spots, limits.
"""

from collections.abc import Callable
from typing import Any

import control
import cv2
import numpy as np
from scipy.integrate import solve_ivp
from scipy.special import erf

from sim.loop.parts import Parts
from sim.loop.surroundings import advance_surroundings, undisturbed

RTOL, ATOL = 1e-6, 1e-10
Solver = Callable[..., np.ndarray]


def by_solve_ivp(rates: Callable[..., Any], start: np.ndarray, times_s: np.ndarray) -> np.ndarray:
    """States (6, T) at some times of a frame, by the usual Runge-Kutta pair."""
    return solve_ivp(
        rates, (0.0, times_s[-1]), start, t_eval=times_s, rtol=RTOL, atol=ATOL
    ).y  # fmt: skip


def by_python_control(
    rates: Callable[..., Any], start: np.ndarray, times_s: np.ndarray
) -> np.ndarray:
    """The same from python-control, which calls the same solver for a nonlinear system."""
    system = control.nlsys(
        lambda t, x, u, params: rates(t, x), None, inputs=1, states=6, outputs=6
    )
    grid = np.r_[0.0, times_s]
    response = control.input_output_response(
        system, grid, np.zeros(len(grid)), start, solve_ivp_kwargs={"rtol": RTOL, "atol": ATOL}
    )
    return response.states[:, 1:]


def motion(
    parts: Parts, i: int, volt: np.ndarray, rest: np.ndarray, start_s: float, tick_s: np.ndarray,
    shaking: np.ndarray,
) -> Callable[[float, np.ndarray], np.ndarray]:  # fmt: skip
    """Rates of (tilt, rate, amplifier output), two axes each, of mirror i through one frame."""
    population, fleet, drive = parts.population, parts.fleet, parts.drive
    w2 = fleet.stiffness[:, i]
    damping = population.resonance_rad_s[i] / population.quality[i]
    gain, imbalance = fleet.true_gain[:, i], fleet.imbalance[:, :, i]

    def rates(t: float, x: np.ndarray) -> np.ndarray:
        tilt, rate, output = x[0:2], x[2:4], x[4:6]
        base = [np.interp(start_s + t, tick_s, axis) for axis in shaking]
        static = gain * output
        static = static + fleet.cross[:, i] * static[::-1]
        spring = w2 * (tilt * (1.0 + fleet.cubic * tilt * tilt) - static - rest)
        forced = imbalance @ base - damping * rate - spring
        return np.concatenate([rate, forced, (volt - output) / drive.lag_s])

    return rates


def run_script(parts: Parts, n_frames: int, solve: Solver = by_solve_ivp) -> np.ndarray:
    """Hold the first aims for some frames; return the errors (F, M, 2) at their ends. [rad]"""
    rng = np.random.default_rng(parts.seed)
    clock, population, fleet, drive = parts.clock, parts.population, parts.fleet, parts.drive
    camera, measurement = parts.measurement.camera, parts.measurement
    assert measurement.fused is not None
    m, frame_s = len(parts.mirrors), clock.frame_s
    _, around = advance_surroundings(parts, undisturbed(parts), 0, n_frames)
    tick_s = clock.tick_s * np.arange(len(around.acceleration))
    shaking = np.ascontiguousarray(around.acceleration.T)
    exposed_s = clock.tick_s * (parts.exposure_weights @ np.arange(clock.ticks_per_frame + 1.0))
    times_s = np.r_[exposed_s, frame_s]
    height, width = measurement.window_px
    edges_x, edges_y = np.arange(width + 1) - 0.5, np.arange(height + 1) - 0.5
    _, asked, expected = parts.reference.frame(parts.reference.initial_state(), 0)
    origin = np.floor(parts.scale_px_per_rad * expected - 0.5 * np.array([width, height]) + 1.0)
    aim = parts.epochs[0].aim_rad
    state = np.zeros((m, 6))
    state[:, 0:2] = aim + population.alignment_rad
    state[:, 4:6] = (asked[0] / fleet.believed_gain).T
    integral = np.zeros((m, 2))
    law = parts.controller.params  # type: ignore[attr-defined]
    errors = np.zeros((n_frames, m, 2))
    correction = np.zeros((m, 2))
    for k in range(n_frames):
        measured = np.zeros((m, 2))
        for i in range(m):
            wanted = (asked[-1][:, i] + correction[i]) / fleet.believed_gain[:, i]
            code = np.clip(np.floor(wanted / drive.lsb_v + 0.5), -drive.codes, drive.codes - 1)
            volt = drive.lsb_v * code
            rates = motion(parts, i, volt, around.rest[k][:, i], k * frame_s, tick_s, shaking)
            states = solve(rates, state[i], times_s)
            state[i] = states[:, -1]
            image = np.full((height, width), camera.background_e)
            for seen in states[0:2, :-1].T:
                x, y = parts.scale_px_per_rad * seen - origin[i]
                share_x = np.diff(erf((edges_x - x) / (np.sqrt(2.0) * camera.sigma_px)))
                share_y = np.diff(erf((edges_y - y) / (np.sqrt(2.0) * camera.sigma_px)))
                image += 0.25 * camera.signal_e / len(exposed_s) * np.outer(share_y, share_x)
            electrons = rng.poisson(image) + rng.normal(0.0, camera.read_noise_e, image.shape)
            level = np.minimum(electrons, camera.full_well_e) * camera.gain_dn_per_e
            dn = np.clip(np.floor(level + camera.black_dn + 0.5), 0, camera.full_scale_dn)
            above = np.maximum(dn - measurement.fused["threshold_dn"], 0.0).astype(np.float32)
            moments = cv2.moments(above)
            spot = np.array([moments["m10"], moments["m01"]]) / moments["m00"]
            measured[i] = (spot + origin[i]) / parts.scale_px_per_rad
            errors[k, i] = state[i, 0:2] - aim[i]
        mismatch = expected - measured
        integral += law.integral_per_frame * mismatch
        correction = law.proportional * mismatch + integral
    return errors
