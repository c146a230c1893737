"""The hot loops in plain numpy: what the compiled kernels mean, word for word.

Same functions, same arguments, same results: plant and control to rounding, pixels bit for bit.
Single precision is used where the kernels use it, so that the two can be held together.
"""

import numpy as np
from numpy.typing import NDArray

from sim.camera import Camera
from sim.fleet import Drive, Fleet
from sim.ports import Array
from sim.rng import philox
from sim.sensor import Scene

F32 = np.float32
NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2
LN = (
    -0.008574675768613815, 0.044214192777872086, -0.10785368084907532, 0.17757023870944977,
    -0.2449961155653, 0.3327617645263672, -0.49997448921203613, 0.9999998211860657,
)  # fmt: skip
"""ln(1 + f) / f on [0, 1), highest power first; Chebyshev fit, within 1.4e-7 of ln."""
SIN = (
    0.07765766233205795, -0.598291277885437, 2.550077438354492, -5.167710304260254,
    3.1415927410125732,
)  # fmt: skip
"""sin(pi t) / t in powers of t^2 on [-1/2, 1/2]; within 1.4e-8."""
COS = (
    0.21968960762023926, -1.331876516342163, 4.058411121368408, -4.934792995452881,
    0.9999999403953552,
)  # fmt: skip
"""cos(pi t) in powers of t^2 on [-1/2, 1/2]; within 4.7e-8."""
ERF = (0.0000430638, 0.0002765672, 0.0001520143, 0.0092705272, 0.0422820123, 0.0705230784, 1.0)
"""Abramowitz and Stegun, Handbook of Mathematical Functions, 7.1.28; within 3e-7."""


def _polynomial(coefficients: tuple[float, ...], x: NDArray) -> NDArray:
    result = np.full_like(x, F32(coefficients[0]))
    for c in coefficients[1:]:
        result = result * x + F32(c)
    return result


def _radius(word: NDArray[np.uint32]) -> NDArray[np.float32]:
    u = ((word >> np.uint32(8)).astype(F32) + F32(0.5)) * F32(2.0**-24)
    bits = u.view(np.uint32)
    exponent = ((bits >> np.uint32(23)).astype(np.int32) - np.int32(127)).astype(F32)
    f = ((bits & np.uint32(0x007FFFFF)) | np.uint32(0x3F800000)).view(F32) - F32(1.0)
    ln = exponent * F32(0.6931471805599453) + _polynomial(LN, f) * f
    return np.sqrt(np.maximum(F32(-2.0) * ln, F32(0.0)))


def _pair(
    radius_word: NDArray[np.uint32], angle_word: NDArray[np.uint32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Two standard normals from two words: Box and Muller, the angle from half of it."""
    radius = _radius(radius_word)
    t = angle_word.view(np.int32).astype(F32) * F32(2.0**-32)
    square = t * t
    s = _polynomial(SIN, square) * t
    c = _polynomial(COS, square)
    return radius * (F32(1.0) - F32(2.0) * s * s), radius * (F32(2.0) * s * c)


def amplifier_noise(
    out: NDArray, mirrors: NDArray, frame: int, seed: int, stream: int
) -> None:
    """Fill `out` (N, 2, M) with standard normals named by (mirror, frame, pair of ticks)."""
    pairs = np.arange((out.shape[0] + 1) // 2)
    counter = np.zeros((len(pairs), len(mirrors), 4), np.uint32)
    counter[..., 0] = pairs[:, None]
    counter[..., 1] = frame
    counter[..., 2] = mirrors
    words = philox(counter, (seed, stream))
    out[0::2, 0], out[0::2, 1] = _pair(words[..., 0].copy(), words[..., 1].copy())
    odd = _pair(words[..., 2].copy(), words[..., 3].copy())
    n_odd = out.shape[0] // 2
    out[1::2, 0], out[1::2, 1] = odd[0][:n_odd], odd[1][:n_odd]


def advance(
    tilt: Array, rate: Array, volt: Array, stops: NDArray, history: Array,
    first: int, last: int, path: Array, before: Array, after: Array, change: int,
    acceleration: Array, rest_start: Array, rest_end: Array, gain_start: float, gain_end: float,
    noise: NDArray, fleet: Fleet, drive: Drive,
) -> None:  # fmt: skip
    """Move the fleet through ticks `first` to `last` of one frame, in place.

    Each step is exact for the linear mirror (see `sim.fleet.propagator`); the cubic spring acts as
    half a kick before and half after (Strang splitting), which makes the whole of second order.

    Parameters
    ----------
    tilt, rate, volt : (2, M) ndarray
        State: tilt [rad], rate [rad/s], amplifier output [V]; changed.
    stops : (M,) ndarray of int
        Ticks spent against a stop, added to.
    history : (N + 1, 2, M) ndarray
        Tilt after each tick; rows `first` + 1 to `last` are written. [rad]
    first, last : int
        Ticks of the frame to move through.
    path : (N, 2, M) ndarray
        Feed-forward, as static tilt asked for, in each tick. [rad]
    before, after : (2, M) ndarray
        Correction held until tick `change`, and from it on. [rad]
    change : int
        Tick at which a new correction takes over.
    acceleration : (N + 1, 3) ndarray
        Core acceleration at tick edges. [m/s^2]
    rest_start, rest_end : (2, M) ndarray
        Rest angle at the frame's ends. [rad]
    gain_start, gain_end : float
        Relative change of the drive's gain at the frame's ends. [-]
    noise : (N, 2, M) ndarray, or of length 0
        Standard normals of the amplifier.
    fleet, drive : Fleet, Drive
        Constants.
    """
    n_ticks = path.shape[0]
    s = fleet.step
    kick = 0.5 * drive.step_s * fleet.stiffness * fleet.cubic[:, None]
    travel = fleet.travel_rad[:, None]
    for n in range(first, last):
        wanted = _code(path[n] + (before if n < change else after), fleet, drive)
        hit = np.zeros(tilt.shape[1], bool)
        for i in range(drive.substeps):
            w = np.array([i, i + 1]) / drive.substeps
            x = (n + w) / n_ticks
            gain = 1.0 + gain_start + (gain_end - gain_start) * x
            u0 = _coupled(_asked(volt, fleet, drive) * gain[0], fleet)
            volt[...] = _amplified(volt, wanted, drive)
            if i == drive.substeps - 1 and len(noise):
                volt += drive.noise_v * noise[n].astype(np.float64)
            u1 = _coupled(_asked(volt, fleet, drive) * gain[1], fleet)
            f0, f1 = (
                np.einsum("akm,k->am", fleet.imbalance,
                          acceleration[n] + w[e] * (acceleration[n + 1] - acceleration[n]))
                + fleet.stiffness * (rest_start + x[e] * (rest_end - rest_start))
                for e in (0, 1)
            )  # fmt: skip
            inputs = (tilt.copy(), rate - kick * tilt**3, u0, u1, f0, f1)
            new = sum(s[j] * inputs[j] for j in range(6))
            new_rate = sum(s[6 + j] * inputs[j] for j in range(6)) - kick * new**3
            over = np.abs(new) > travel
            new = np.clip(new, -travel, travel)
            new_rate = np.where(over & (new_rate * new > 0), 0.0, new_rate)
            hit |= over.any(axis=0)
            tilt[...], rate[...] = new, new_rate
        stops += hit
        history[n + 1] = tilt


def _asked(volt: Array, fleet: Fleet, drive: Drive) -> Array:
    """Static tilt that the voltages ask for."""
    return fleet.true_gain * (volt * np.abs(volt) if drive.square else volt)


def _coupled(asked: Array, fleet: Fleet) -> Array:
    return asked + fleet.cross[:, None] * asked[::-1]


def _code(asked: Array, fleet: Fleet, drive: Drive) -> Array:
    """Voltages of the DAC codes nearest to a wanted static tilt."""
    ratio = asked / fleet.believed_gain
    if drive.square:
        ratio = np.copysign(np.sqrt(np.abs(ratio)), ratio)
    code = np.floor(ratio / drive.lsb_v + 0.5)
    return drive.lsb_v * np.clip(code, -drive.codes, drive.codes - 1)


def _amplified(volt: Array, wanted: Array, drive: Drive) -> Array:
    """Amplifier output one step later: a first-order lag whose slope is limited."""
    gap = wanted - volt
    size = np.abs(gap)
    lagged = volt + gap * (1.0 - drive.decay)
    ramp_s = np.maximum(size - drive.slew_v, 0.0) * drive.lag_s / drive.slew_v
    slewed = volt + np.copysign(drive.slew_v * drive.step_s / drive.lag_s, gap)
    left = drive.slew_v * np.exp(-np.maximum(drive.step_s - ramp_s, 0.0) / drive.lag_s)
    mixed = wanted - np.copysign(left, gap)
    late = np.where(ramp_s >= drive.step_s, slewed, mixed)
    return np.where(size <= drive.slew_v, lagged, late)


def expose(
    frames: NDArray[np.int32], sums: NDArray[np.int64], position: Array, mirrors: NDArray,
    frame: int, camera: Camera, noise: int, seed: int, stream: int, threshold: int, keep: bool,
) -> None:  # fmt: skip
    """Make every mirror's frame, and the sums of its thresholded centre of gravity.

    The spot is a Gaussian integrated over each pixel and averaged over the samples of its path.
    Exact Poisson noise is drawn by the compiled kernel alone: its meaning is a distribution.

    Parameters
    ----------
    frames : (M, H, W) ndarray of int32
        Filled if `keep`. [DN]
    sums : (M, 3) ndarray of int64
        Sum, x-weighted and y-weighted sum of max(dn - threshold, 0); filled.
    position : (S, 2, M) ndarray
        Path of the spot over the exposure, in window pixels. [px]
    mirrors : (M,) ndarray of int
        Mirror numbers, which name the random numbers.
    frame : int
        Frame number.
    camera : Camera
        Constants.
    noise : int
        NOISE_NONE or NOISE_FAST.
    seed, stream : int
        Key of the random numbers.
    threshold : int
        Of the sums. [DN]
    keep : bool
        Whether `frames` is wanted.
    """
    _check(noise)
    n_samples = position.shape[0]
    n_mirrors, height, width = frames.shape
    scale = F32(1.0 / (np.sqrt(2.0) * camera.sigma_px))
    share = F32(0.25 * camera.signal_e / n_samples)
    gx = _cells(position[:, 0], width, scale)  # (S, M, W)
    gy = _cells(position[:, 1], height, scale) * share
    electrons = np.full(frames.shape, F32(camera.background_e))
    for s in range(n_samples):
        electrons += gy[s][:, :, None] * gx[s][:, None, :]
    if noise == NOISE_FAST:
        electrons = _noisy(electrons, mirrors, frame, camera, seed, stream)
    charge = np.minimum(electrons, F32(camera.full_well_e))
    _convert(frames, sums, charge, camera, threshold, keep)


def expose_scene(
    frames: NDArray[np.int32], sums: NDArray[np.int64], position: Array, mirrors: NDArray,
    frame: int, camera: Camera, noise: int, seed: int, stream: int, threshold: int, keep: bool,
    origin: Array, scene: Scene, warmth: float,
) -> None:  # fmt: skip
    """Make frames of windows that see more than their own spot, on pixels that differ.

    Light is multiplied by each pixel's response, then its dark signal is added, then comes the
    noise of both; the offset is added after the well. Pixels beyond the sensor are like those at
    its rim.

    Parameters
    ----------
    frames : (K, H, W) ndarray of int32
        Filled if `keep`. [DN]
    sums : (K, 3) ndarray of int64
        As in `expose`.
    position : (S, 2, M) ndarray
        Paths of all spots over the exposure, in sensor pixels. [px]
    mirrors : (K,) ndarray of int
        Mirror of each window, which names the random numbers.
    frame, camera, noise, seed, stream, threshold, keep
        As in `expose`.
    origin : (K, 2) ndarray
        First sensor pixel (x, y) of each window; whole numbers. [px]
    scene : Scene
        Which spots reach which window, ghost and pixels.
    warmth : float
        Factor on the dark signal. [-]
    """
    _check(noise)
    n_samples = position.shape[0]
    _, height, width = frames.shape
    scale = F32(1.0 / (np.sqrt(2.0) * camera.sigma_px))
    electrons = np.full(frames.shape, F32(camera.background_e))
    lights = [(1.0, 0.0, 0.0)]
    if scene.ghost > 0.0:
        lights.append((scene.ghost, scene.ghost_x_px, scene.ghost_y_px))
    for column in scene.spots.T:
        k = np.flatnonzero(column >= 0)
        seen = position[:, :, column[k]]
        for strength, dx, dy in lights:
            share = F32(0.25 * camera.signal_e * strength / n_samples)
            gx = _cells(seen[:, 0] - origin[k, 0] + dx, width, scale)
            gy = _cells(seen[:, 1] - origin[k, 1] + dy, height, scale) * share
            for s in range(n_samples):
                electrons[k] += gy[s][:, :, None] * gx[s][:, None, :]
    sensors, rows, columns = scene.response.shape
    sensor = np.minimum(scene.sensor, sensors - 1)[:, None, None]
    x = np.clip(origin[:, :1].astype(np.int64) + np.arange(width), 0, columns - 1)[:, None, :]
    y = np.clip(origin[:, 1:].astype(np.int64) + np.arange(height), 0, rows - 1)[:, :, None]
    dark = scene.dark[sensor, y, x] * F32(warmth)
    electrons = electrons * scene.response[sensor, y, x] + dark
    if noise == NOISE_FAST:
        electrons = _noisy(electrons, mirrors, frame, camera, seed, stream)
    charge = np.minimum(electrons, F32(camera.full_well_e)) + scene.offset[sensor, y, x]
    _convert(frames, sums, charge, camera, threshold, keep)


def _check(noise: int) -> None:
    if noise == NOISE_EXACT:
        raise ValueError("noise must be NOISE_NONE or NOISE_FAST in the plain form")


def _cells(centre: NDArray, n: int, scale: np.float32) -> NDArray[np.float32]:
    """Twice the share of a unit spot in each of `n` cells along one axis."""
    edge = (np.arange(n + 1, dtype=F32) - F32(0.5) - centre.astype(F32)[..., None]) * scale
    with np.errstate(over="ignore"):  # far away the power is infinite, and erf one
        p = _polynomial(ERF, np.abs(edge))
        for _ in range(4):
            p = p * p
    erf = np.copysign(F32(1.0) - F32(1.0) / p, edge)
    return erf[..., 1:] - erf[..., :-1]


def _noisy(
    electrons: NDArray[np.float32], mirrors: NDArray, frame: int, camera: Camera, seed: int,
    stream: int,
) -> NDArray[np.float32]:  # fmt: skip
    """Skewed normal with the mean and variance of Poisson plus read noise."""
    n_px = electrons.shape[1] * electrons.shape[2]
    z = _pixel_normals(n_px, mirrors, frame, seed, stream).reshape(electrons.shape)
    var = electrons + F32(camera.read_noise_e * camera.read_noise_e)
    skew = electrons / (F32(6.0) * var) * (z * z - F32(1.0))
    return np.asarray(electrons + np.sqrt(var) * z + skew)


def _convert(
    frames: NDArray[np.int32], sums: NDArray[np.int64], charge: NDArray[np.float32],
    camera: Camera, threshold: int, keep: bool,
) -> None:  # fmt: skip
    """Electrons to digital numbers, and their sums."""
    level = np.floor(charge * F32(camera.gain_dn_per_e) + F32(camera.black_dn + 0.5))
    digital = np.clip(level, F32(0.0), F32(camera.full_scale_dn)).astype(np.int32)
    if keep:
        frames[...] = digital
    lit = np.maximum(digital - threshold, 0).astype(np.int64)
    sums[:, 0] = lit.sum(axis=(1, 2))
    sums[:, 1] = lit.sum(axis=1) @ np.arange(frames.shape[2])
    sums[:, 2] = lit.sum(axis=2) @ np.arange(frames.shape[1])


def _pixel_normals(
    n_px: int, mirrors: NDArray, frame: int, seed: int, stream: int
) -> NDArray[np.float32]:
    groups = (n_px + 3) // 4
    counter = np.zeros((len(mirrors), groups, 4), np.uint32)
    counter[..., 0] = np.arange(groups)
    counter[..., 1] = frame
    counter[..., 2] = np.asarray(mirrors)[:, None]
    words = philox(counter, (seed, stream))
    first = _pair(words[..., 0].copy(), words[..., 1].copy())
    second = _pair(words[..., 2].copy(), words[..., 3].copy())
    return np.concatenate([*first, *second], axis=1)[:, :n_px]


def observe_mirrors(
    first_tick: int, history: Array, aim: Array, tolerance_rad: float, interval: int,
    error: NDArray, mean: NDArray, square: NDArray, peak: NDArray, first_out: NDArray,
    last_out: NDArray,
) -> None:  # fmt: skip
    """Add one frame's ticks of error to the traces of mirrors.

    Parameters
    ----------
    first_tick : int
        Number of the frame's first tick in the run.
    history : (N + 1, 2, M) ndarray
        Tilt at the frame's tick edges; the first belongs to the frame before. [rad]
    aim : (2, M) ndarray
        [rad]
    tolerance_rad : float
        Radial error beyond which a mirror is out. [rad]
    interval : int
        Ticks in a sampling interval.
    error, mean : (T, M, 2) ndarray of float32
        Error at the end of each interval, set, and its mean, added to. [rad]
    square, peak : (T, M) ndarray of float32
        Mean squared radial error [rad^2], added to, and largest radial error [rad].
    first_out, last_out : (T, M) ndarray of int32
        First and last tick out (1 to `interval`), 0 if none.
    """
    for n, tilt in enumerate(history[1:]):
        row, at = divmod(first_tick + n, interval)
        if row >= len(square):
            break
        e = tilt - aim
        radial = e[0] * e[0] + e[1] * e[1]
        mean[row] += (e.T / interval).astype(F32)
        square[row] += (radial / interval).astype(F32)
        np.maximum(peak[row], np.sqrt(radial).astype(F32), out=peak[row])
        _mark(radial > tolerance_rad * tolerance_rad, at + 1, first_out[row], last_out[row])
        if at + 1 == interval:
            error[row] = e.T


def observe_connections(
    first_tick: int, history: Array, aim: Array, pairs: NDArray, form: Array, limit_db: float,
    interval: int, excess: NDArray, mean: NDArray, peak: NDArray, first_out: NDArray,
    last_out: NDArray, ticks_out: NDArray,
) -> None:  # fmt: skip
    """Add one frame's ticks of excess loss to the traces of connections.

    Parameters
    ----------
    first_tick, history, aim, interval
        As in `observe_mirrors`.
    pairs : (C, 2) ndarray of int
        Columns of the fleet that carry each connection.
    form : (C, 4, 4) ndarray
        Excess loss as a quadratic form of the errors (Ax, Ay, Bx, By). [dB/rad^2]
    limit_db : float
        Excess loss beyond which a connection is out. [dB]
    excess, mean, peak : (T, C) ndarray of float32
        At the end of each interval, set; its mean, added to; its largest value. [dB]
    first_out, last_out, ticks_out : (T, C) ndarray of int32
        First and last tick out (1 to `interval`, 0 if none), and how many.
    """
    for n, tilt in enumerate(history[1:]):
        row, at = divmod(first_tick + n, interval)
        if row >= len(mean):
            break
        e = (tilt - aim)[:, pairs]  # (2, C, 2)
        e = e.transpose(2, 0, 1).reshape(4, len(pairs))
        loss = np.zeros(len(pairs))
        for i in range(4):
            for j in range(4):
                loss += form[:, i, j] * e[i] * e[j]
        mean[row] += (loss / interval).astype(F32)
        np.maximum(peak[row], loss.astype(F32), out=peak[row])
        out = loss > limit_db
        _mark(out, at + 1, first_out[row], last_out[row])
        ticks_out[row] += out
        if at + 1 == interval:
            excess[row] = loss


def _mark(out: NDArray[np.bool_], at: int, first: NDArray, last: NDArray) -> None:
    """Note tick `at` where something is out."""
    first[out & (first == 0)] = at
    last[out] = at
