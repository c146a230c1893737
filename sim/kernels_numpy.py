"""The hot loops in plain numpy: what the compiled kernels mean, word for word.

Same functions, same arguments, same results: plant and control to rounding, pixels bit for bit.
Single precision is used where the kernels use it, so that the two can be held together.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from sim.approximations import COS, ERF, LN, LN_2, SIN
from sim.camera import Camera
from sim.estimators.reading import judged
from sim.fleet import Drive, Fleet
from sim.noise_table import NoiseTable
from sim.ports import Array, SpotStatus
from sim.rng import philox
from sim.sensor import Scene

F32 = np.float32
NOISE_NONE, NOISE_FAST, NOISE_EXACT = 0, 1, 2
BEYOND = 255


def fma(a: NDArray | F32, b: NDArray | F32, c: NDArray | F32) -> NDArray[np.float32]:
    """Return a * b + c in single precision, rounded once, as processors do.

    In double precision the product is exact. The sum is rounded to odd: where it is not exact, its
    last bit is set, which keeps the second rounding from going the wrong way.

    References
    ----------
    .. [1] S. Boldo and G. Melquiond, "Emulation of a FMA and correctly rounded sums: proved
       algorithms using rounding to odd", IEEE Transactions on Computers 57 (2008) 462. From memory.
    """
    product = np.multiply(a, b, dtype=np.float64)
    addend = np.asarray(c, np.float64)
    total = np.asarray(product + addend)
    back = total - product
    rest = (product - (total - back)) + (addend - back)
    bits = total.view(np.int64)
    away = np.where((rest > 0.0) == (total > 0.0), 1, -1)
    odd = np.where((rest != 0.0) & np.isfinite(rest) & (bits & 1 == 0), bits + away, bits)
    return np.asarray(odd.view(np.float64).astype(F32))


def _polynomial(coefficients: tuple[float, ...], x: NDArray) -> NDArray:
    result = np.full_like(x, F32(coefficients[0]))
    for c in coefficients[1:]:
        result = fma(result, x, F32(c))
    return result


def _pair(
    radius_word: NDArray[np.uint32], angle_word: NDArray[np.uint32]
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Two standard normals from two words: Box and Muller.

    The radius is sqrt(-2 ln u) for u = (word >> 8 + 1/2) / 2^24. The angle is within an eighth of
    a turn of the x axis; two bits more turn it about and swap the axes, which makes the whole turn.
    """
    v = (radius_word >> np.uint32(8)).astype(F32) + F32(0.5)
    bits = v.view(np.int32)
    power = (bits - np.int32(0x3F3504F3)) >> np.int32(23)
    f = (bits - (power << np.int32(23))).view(F32) - F32(1.0)
    square = fma(_polynomial(LN, f), f, (power - np.int32(24)).astype(F32) * F32(LN_2))
    radius = np.sqrt(square)
    t = (angle_word << np.uint32(2)).view(np.int32).astype(F32) * F32(2.0**-33)
    sine = _polynomial(SIN, t * t) * (t * radius)
    cosine = _polynomial(COS, t * t) * radius
    cosine = np.where(angle_word >> np.uint32(31), -cosine, cosine)
    swap = (angle_word >> np.uint32(30)) & np.uint32(1) > 0
    return np.where(swap, sine, cosine), np.where(swap, cosine, sine)


def fill_normals(
    out: NDArray, mirrors: NDArray, first_pair: int, frame: int, seed: int, stream: int
) -> None:
    """Fill `out` (T, 2, M) with standard normals named by (pair of instants, mirror, frame)."""
    pairs = first_pair + np.arange((out.shape[0] + 1) // 2)
    counter = np.zeros((len(pairs), len(mirrors), 4), np.uint32)
    counter[..., 0] = pairs[:, None]
    counter[..., 1] = mirrors
    counter[..., 2] = frame
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
    path : (N, 2, M) or (1, 2, M) ndarray
        Feed-forward, as static tilt asked for, in each tick, or in all of them. [rad]
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
    n_ticks = history.shape[0] - 1
    path = np.broadcast_to(path, (n_ticks, *path.shape[1:]))
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
            new_rate = sum(s[6 + j] * inputs[j] for j in range(6))
            over = np.abs(new) > travel
            new_rate = np.where(over & (new_rate * new > 0), 0.0, new_rate)
            new = np.clip(new, -travel, travel)
            new_rate -= kick * new**3
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
    ratio = asked * (1.0 / fleet.believed_gain)
    if drive.square:
        ratio = np.copysign(np.sqrt(np.abs(ratio)), ratio)
    code = np.floor(ratio * (1.0 / drive.lsb_v) + 0.5)
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
    sums : (3, M) ndarray of int64
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
        electrons = fma(gy[s][:, :, None], gx[s][:, None, :], electrons)
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
    sums : (3, K) ndarray of int64
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
                electrons[k] = fma(gy[s][:, :, None], gx[s][:, None, :], electrons[k])
    sensors, rows, columns = scene.response.shape
    sensor = np.minimum(scene.sensor, sensors - 1)[:, None, None]
    x = np.clip(origin[:, :1].astype(np.int64) + np.arange(width), 0, columns - 1)[:, None, :]
    y = np.clip(origin[:, 1:].astype(np.int64) + np.arange(height), 0, rows - 1)[:, :, None]
    dark = scene.dark[sensor, y, x] * F32(warmth)
    electrons = fma(electrons, scene.response[sensor, y, x], dark)
    if noise == NOISE_FAST:
        electrons = _noisy(electrons, mirrors, frame, camera, seed, stream)
    charge = np.minimum(electrons, F32(camera.full_well_e)) + scene.offset[sensor, y, x]
    _convert(frames, sums, charge, camera, threshold, keep)


def _check(noise: int) -> None:
    if noise == NOISE_EXACT:
        raise ValueError("noise must be NOISE_NONE or NOISE_FAST in the plain form")


def _cells(centre: NDArray, n: int, scale: np.float32) -> NDArray[np.float32]:
    """Twice the share of a unit spot in each of `n` cells along one axis."""
    middle = centre.astype(F32)[..., None] * scale
    edge = (np.arange(n + 1, dtype=F32) - F32(0.5)) * scale - middle
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
    z = _pixel_normals(electrons.shape, mirrors, frame, seed, stream)
    var = electrons + F32(camera.read_noise_e * camera.read_noise_e)
    skew = electrons / (var * F32(6.0))
    return fma(fma(skew, z, np.sqrt(var)), z, electrons - skew)


def _convert(
    frames: NDArray[np.int32], sums: NDArray[np.int64], charge: NDArray[np.float32],
    camera: Camera, threshold: int, keep: bool,
) -> None:  # fmt: skip
    """Electrons to digital numbers, and their sums."""
    level = np.floor(fma(charge, F32(camera.gain_dn_per_e), F32(camera.black_dn + 0.5)))
    digital = np.clip(level, F32(0.0), F32(camera.full_scale_dn)).astype(np.int32)
    if keep:
        frames[...] = digital
    lit = np.maximum(digital - threshold, 0).astype(np.int64)
    sums[0] = lit.sum(axis=(1, 2))
    sums[1] = lit.sum(axis=1) @ np.arange(frames.shape[2])
    sums[2] = lit.sum(axis=2) @ np.arange(frames.shape[1])


def _pixel_normals(
    shape: tuple[int, ...], mirrors: NDArray, frame: int, seed: int, stream: int
) -> NDArray[np.float32]:
    """One normal for each pixel (M, H, W); four neighbours in a row share a draw."""
    n_mirrors, height, width = shape
    groups = (width + 3) // 4
    counter = np.zeros((n_mirrors, height * groups, 4), np.uint32)
    counter[..., 0] = np.arange(height * groups)
    counter[..., 1] = np.asarray(mirrors)[:, None]
    counter[..., 2] = frame
    words = philox(counter, (seed, stream))
    first = _pair(words[..., 0].copy(), words[..., 1].copy())
    second = _pair(words[..., 2].copy(), words[..., 3].copy())
    four = np.stack([*first, *second], axis=-1)
    return four.reshape(n_mirrors, height, 4 * groups)[:, :, :width]


def spot_paths(
    position: Array, history: Array, shift: Array, at_ticks: Array, delay_ticks: Array,
    scale: float, origin: Array,
) -> None:  # fmt: skip
    """Fill in where each spot is in its window, sample by sample of the exposure.

    Parameters
    ----------
    position : (S, 2, M) ndarray
        Filled. [px]
    history : (N + 1, 2, M) ndarray
        Tilt at tick edges, straight in between. [rad]
    shift : (N + 1, 2) ndarray
        Shift of the camera against the mirrors, as tilt. [rad]
    at_ticks : (S,) ndarray
        When the samples are, for an exposure that starts with the frame. [tick]
    delay_ticks : (M,) ndarray
        How much later each mirror's exposure starts; beyond the last edge its value holds. Empty
        if all start with the frame. [tick]
    scale : float
        [px/rad]
    origin : (2, M) ndarray
        First pixel of each window. [px]
    """
    last = len(history) - 1
    if not len(delay_ticks):
        delay_ticks = np.zeros(history.shape[2])
    at = np.minimum(at_ticks[:, None] + delay_ticks, last)  # (S, M)
    n = np.minimum(at.astype(np.int64), last - 1)
    mirror = np.arange(history.shape[2])
    part = (at - n)[:, None, :]
    edges = history + shift[:, :, None]
    before = edges[n, :, mirror].transpose(0, 2, 1)
    after = edges[n + 1, :, mirror].transpose(0, 2, 1)
    position[...] = scale * ((1.0 - part) * before + part * after) - origin


def centres(
    spot: Array, flux: Array, status: NDArray[np.uint8], sums: NDArray[np.int64], height: int,
    width: int, min_flux: float, edge: float,
) -> None:  # fmt: skip
    """Turn the sums of frames into readings, as the thresholded centroid does.

    Parameters
    ----------
    spot : (2, M) ndarray
        Filled; NaN where the status is not OK. [px]
    flux : (M,) ndarray
        Filled. [DN]
    status : (M,) ndarray of uint8
        Filled.
    sums : (3, M) ndarray of int64
        Sum, x-weighted and y-weighted sum above the threshold.
    height, width : int
        Of the windows. [px]
    min_flux : float
        Least sum of a spot. [DN]
    edge : float
        Least distance of a spot from the outermost pixels' centres. [px]
    """
    flux[...] = sums[0]
    found = np.full((len(flux), 2), np.nan)
    np.divide(sums[1:].T, flux[:, None], out=found, where=flux[:, None] > 0)
    reading = judged(
        found, flux, light_dn=flux, shape=(height, width), min_flux_dn=min_flux, edge_px=edge
    )
    spot[...], status[...] = reading.spot_px.T, reading.status


def draw_readings(
    spot: Array, flux: Array, status: NDArray[np.uint8], position: Array, z: NDArray[np.float32],
    table: NoiseTable, height: int, width: int,
) -> None:  # fmt: skip
    """Draw readings from a table of bias and covariance instead of making images.

    Parameters
    ----------
    spot, flux, status
        Filled as by `centres`; the status is `BEYOND` where the table does not cover a spot.
    position : (S, 2, M) ndarray
        Path of each spot over the exposure, in its window; its mean is what is read. [px]
    z : (1, 2, M) ndarray of float32
        Standard normals.
    table : NoiseTable
        Linear between its places, and the same in every pixel.
    height, width : int
        Of the windows. [px]
    """
    nodes = len(table.bias_px)
    mean = position.sum(axis=0) / len(position)
    last = np.array([width - 1.0, height - 1.0])[:, None]
    beyond = ~((mean >= table.margin_px) & (mean <= last - table.margin_px)).all(axis=0)
    safe = np.where(beyond, 0.0, mean)
    at = (safe - np.floor(safe + 0.5) + 0.5) * nodes
    low = np.minimum(at.astype(np.int64), nodes - 1)
    part = at - low
    high = (low + 1) % nodes
    values = np.concatenate([table.bias_px, table.root_px], axis=2)
    upper = (1.0 - part[0, :, None]) * values[low[1], low[0]] + part[0, :, None] * values[
        low[1], high[0]
    ]
    lower = (1.0 - part[0, :, None]) * values[high[1], low[0]] + part[0, :, None] * values[
        high[1], high[0]
    ]
    bias_x, bias_y, xx, yx, yy = ((1.0 - part[1, :, None]) * upper + part[1, :, None] * lower).T
    z64 = z[0].astype(np.float64)
    spot[0] = mean[0] + bias_x + xx * z64[0]
    spot[1] = mean[1] + bias_y + (yx * z64[0] + yy * z64[1])
    spot[:, beyond] = np.nan
    flux[...] = table.light_dn
    status[...] = np.where(beyond, BEYOND, SpotStatus.OK)


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
    for row, ticks, marks in _pieces(first_tick, history, interval, len(square)):
        e = ticks - aim
        radial = e[:, 0] * e[:, 0] + e[:, 1] * e[:, 1]
        mean[row] += (e.sum(axis=0).T / interval).astype(F32)
        square[row] += (radial.sum(axis=0) / interval).astype(F32)
        np.maximum(peak[row], np.sqrt(radial.max(axis=0)).astype(F32), out=peak[row])
        _mark(radial > tolerance_rad * tolerance_rad, marks, first_out[row], last_out[row])
        if marks[-1] == interval:
            error[row] = e[-1].T


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
    for row, ticks, marks in _pieces(first_tick, history, interval, len(mean)):
        e = (ticks - aim)[:, :, pairs]  # (n, 2, C, 2)
        e = e.transpose(0, 2, 3, 1).reshape(len(ticks), len(pairs), 4)
        loss = np.einsum("nci,cij,ncj->nc", e, form, e)
        mean[row] += (loss.sum(axis=0) / interval).astype(F32)
        np.maximum(peak[row], loss.max(axis=0).astype(F32), out=peak[row])
        out = loss > limit_db
        _mark(out, marks, first_out[row], last_out[row])
        ticks_out[row] += out.sum(axis=0).astype(np.int32)
        if marks[-1] == interval:
            excess[row] = loss[-1]


def _pieces(
    first_tick: int, history: Array, interval: int, rows: int
) -> Iterator[tuple[int, Array, NDArray[np.int64]]]:
    """Cut a frame at the sampling intervals: (row, tilt after each tick, ticks as 1 to `interval`).

    Ticks after the last row are left out.
    """
    ticks = np.arange(first_tick, first_tick + len(history) - 1)
    for row in np.unique(ticks // interval):
        if row < rows:
            inside = ticks // interval == row
            yield int(row), history[1:][inside], ticks[inside] % interval + 1


def _mark(out: NDArray[np.bool_], marks: NDArray[np.int64], first: NDArray, last: NDArray) -> None:
    """Note the first and the last tick at which something is out."""
    for o, at in zip(out, marks, strict=True):
        first[o & (first == 0)] = at
        last[o] = at
