"""Losses of connections, recorded at every tick: by their forms, and exactly where these end.

A connection's loss is a quadratic form of its errors up to a limit of its own. Blocks of
connections in which one exceeds it stop there; a second kernel takes them on, with the exact
overlap at the ticks beyond. It is compiled or loaded only where it is needed.
"""

import numpy as np
from numpy.typing import NDArray

from sim.foundations.ports import Array
from sim.kernels.compilation import inlined, kernel, step
from sim.kernels.compiled.blocks import next_block
from sim.kernels.compiled.couplings import one_connection
from sim.kernels.compiled.observers import added, marked, noted, raised
from sim.kernels.stretch import ObservedLimits
from sim.kernels.threads import blocks_of, share
from sim.kernels.vectors import (
    N,
    any_above,
    float64_to_32,
    int64_to_32,
    load,
    maximum,
    spread,
    store,
    store_some,
    where_above,
)
from sim.optics.beams import NO_LIGHT_DB

I64 = np.int64
RANGE = 14 * N
"""Where the ends of the forms are among a block's numbers."""
FORM_S, EXACT_S = 2.5e-6, 30e-6
"""About what a block takes for a frame, by form and by exact overlap. [s]"""


@step
def _block_numbers(start, count, aim, pairs, form, range_db):  # type: ignore[no-untyped-def]
    """Aims (4 rows) of a block's connections, ten coefficients of each symmetric form, its end.

    The coefficients are (i, i), and twice (i, j) for j above i.
    """
    w = np.zeros(15 * N)
    for k in range(count):
        for side in range(2):
            for a in range(2):
                w[(2 * side + a) * N + k] = aim[a, pairs[start + k, side]]
        at = 4 * N + k
        for i in range(4):
            w[at] = form[start + k, i, i]
            at += N
            for j in range(i + 1, 4):
                w[at] = form[start + k, i, j] + form[start + k, j, i]
                at += N
        w[at] = range_db[start + k]
    return w


@inlined
def _by_form(w, tilts, n):  # type: ignore[no-untyped-def]
    """Loss of a block's connections at the n-th of their tilts (4 rows each). [dB]"""
    at = 4 * N * n
    a = load(tilts, at) - load(w, 0)
    b = load(tilts, at + N) - load(w, N)
    c = load(tilts, at + 2 * N) - load(w, 2 * N)
    d = load(tilts, at + 3 * N) - load(w, 3 * N)
    on_a = load(w, 4 * N) * a + load(w, 5 * N) * b + load(w, 6 * N) * c + load(w, 7 * N) * d
    on_b = load(w, 8 * N) * b + load(w, 9 * N) * c + load(w, 10 * N) * d
    on_c = load(w, 11 * N) * c + load(w, 12 * N) * d
    return on_a * a + on_b * b + on_c * c + load(w, 13 * N) * d * d


@inlined
def _gathered(tilts, start, count, history, pairs):  # type: ignore[no-untyped-def]
    """Put the tilts of both mirrors of each connection side by side, tick by tick."""
    for n in range(history.shape[0] - 1):
        at = 4 * N * n
        for i in range(count):
            a = pairs[start + i, 0]
            b = pairs[start + i, 1]
            tilts[at + i] = history[n + 1, 0, a]
            tilts[at + N + i] = history[n + 1, 1, a]
            tilts[at + 2 * N + i] = history[n + 1, 0, b]
            tilts[at + 3 * N + i] = history[n + 1, 1, b]


@step
def _form_losses(start, count, w, tilts, losses, history, pairs):  # type: ignore[no-untyped-def]
    """Fill the losses (N a tick) of a block in a frame; say whether one is beyond its form."""
    _gathered(tilts, start, count, history, pairs)
    top = spread(0.0)
    for n in range(history.shape[0] - 1):
        loss = _by_form(w, tilts, n)
        store(losses, n * N, loss)
        top = maximum(loss, top)
    return any_above(top, load(w, RANGE))


@step
def _exact_losses(  # type: ignore[no-untyped-def]
    start, count, w, tilts, losses, beams, wavelengths, scales, out, band, spare
):
    """Put the exact loss where one is beyond its form, and there is light."""
    for n in range(losses.size // N):
        for k in range(count):
            form = losses[n * N + k]
            if w[RANGE + k] < form < NO_LIGHT_DB:
                for i in range(4):
                    out[i] = tilts[4 * N * n + i * N + k]
                c = start + k
                one_connection(
                    beams.a[c], beams.b[c], beams.source[c], beams.sink[c], beams.receiver_x,
                    beams.middle_m, beams.radius_m, beams.edge, wavelengths, scales, out, band,
                    spare,
                )  # fmt: skip
                losses[n * N + k] = band[0] - beams.aligned_db[c]


@step
def _noted_losses(start, count, losses, first_tick, limit_db, traces):  # type: ignore[no-untyped-def]
    """Add a frame's losses (N a tick) to the traces of a block of connections."""
    interval, excess, mean, peak, first_out, last_out, ticks_out = traces
    n_ticks = losses.size // N
    limit = spread(limit_db)
    part = 1.0 / interval
    n = 0
    while n < n_ticks and (first_tick + n) // interval < mean.shape[0]:
        row = (first_tick + n) // interval
        end = min(n_ticks, (row + 1) * interval - first_tick)
        loss = spread(0.0)
        total = spread(0.0)
        top = spread(0.0)
        first = spread(I64(0))
        last = spread(I64(0))
        out = spread(I64(0))
        at = I64((first_tick + n) % interval)
        while n < end:
            loss = load(losses, n * N)
            total = total + loss
            top = maximum(loss, top)
            at += I64(1)
            first, last = marked(first, last, loss, limit, at)
            out = where_above(loss, limit, out + I64(1), out)
            n += 1
        place = (row, start)
        added(mean, place, count, float64_to_32(total * part))
        raised(peak, place, count, float64_to_32(top))
        noted(first_out, last_out, place, count, first, last)
        added(ticks_out, place, count, int64_to_32(out))
        if first_tick + end == (row + 1) * interval:
            store_some(excess, place, count, float64_to_32(loss))


@step
def form_block(  # type: ignore[no-untyped-def]
    block, first, last, first_frame, histories, aim, pairs, form, range_db, limit_db, traces,
    stopped,
):
    """Losses by form of a block in frames `first` to `last` of those at hand.

    It stops for good at the first frame in which it goes beyond its form.
    """
    if stopped[block] >= 0:
        return
    n_ticks = histories.shape[1] - 1
    tilts = np.empty(n_ticks * 4 * N)
    losses = np.empty(n_ticks * N)
    start = N * block
    count = min(N, pairs.shape[0] - start)
    w = _block_numbers(start, count, aim, pairs, form, range_db)
    for k in range(first, last):
        if _form_losses(start, count, w, tilts, losses, histories[k], pairs):
            stopped[block] = k
            break
        _noted_losses(start, count, losses, (first_frame + k) * n_ticks, limit_db, traces)


@kernel
def _near(  # type: ignore[no-untyped-def]
    queue, first, histories, aim, pairs, form, range_db, limit_db, traces, stopped
):
    """Losses by form, from frame `first` on, up to the frame that a block goes beyond it in."""
    zero = np.int64(0)
    block = next_block(queue)
    while block < stopped.size:
        form_block(
            block, zero, histories.shape[0], first, histories, aim, pairs, form, range_db, limit_db,
            traces, stopped,
        )  # fmt: skip
        block = next_block(queue)


@kernel
def _far(  # type: ignore[no-untyped-def]
    queue, first, histories, aim, pairs, form, beams, limit_db, traces, stopped
):
    """Go on with the blocks that stopped."""
    n_ticks = histories.shape[1] - 1
    tilts = np.empty(n_ticks * 4 * N)
    losses = np.empty(n_ticks * N)
    out = np.empty(11)
    band = np.empty(1)
    spare = np.empty(2 * N)
    wavelengths = np.full(1, beams.wavelength_m)
    scales = np.ones(1)
    block = next_block(queue)
    while block < stopped.size:
        start = N * block
        count = min(N, pairs.shape[0] - start)
        k = stopped[block] if stopped[block] >= 0 else histories.shape[0]
        w = _block_numbers(start, count, aim, pairs, form, beams.form_range_db)
        while k < histories.shape[0]:
            if _form_losses(start, count, w, tilts, losses, histories[k], pairs):
                _exact_losses(
                    start, count, w, tilts, losses, beams, wavelengths, scales, out, band, spare
                )
            _noted_losses(start, count, losses, (first + k) * n_ticks, limit_db, traces)
            k += 1
        block = next_block(queue)


def observe_connections(first_frame: int, histories: Array, watched: ObservedLimits) -> None:
    """Add the ticks of some frames to the traces of connections; see the plain form."""
    stopped = np.full(blocks_of(len(watched.pairs)), -1)
    share(
        _near, len(stopped), len(histories) * FORM_S, first_frame, histories, watched.aim_rad,
        watched.pairs, watched.form_db, watched.beams.form_range_db, watched.outage_db,
        watched.losses, stopped,
    )  # fmt: skip
    beyond_forms(first_frame, histories, watched, stopped)


def beyond_forms(
    first_frame: int, histories: Array, watched: ObservedLimits, stopped: NDArray[np.int64]
) -> None:
    """Go on with the blocks that stopped, each from its frame of those at hand on; -1: none."""
    if stopped.max() >= 0:
        share(
            _far, len(stopped), len(histories) * EXACT_S, first_frame, histories, watched.aim_rad,
            watched.pairs, watched.form_db, watched.beams, watched.outage_db, watched.losses,
            stopped,
        )  # fmt: skip
