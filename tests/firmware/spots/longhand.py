"""The arithmetic of the docstrings in plain Python: unbounded whole numbers and exact fractions.

It uses nothing of the model but its records of constants.
"""

import math
from fractions import Fraction

from sim.firmware.rounding import Rounding
from sim.foundations.ports import SpotStatus


def exact(value: Fraction, rounding: Rounding) -> int:
    """Each rule as its name says it; `round` of a Fraction ties to even."""
    if rounding is Rounding.FLOOR:
        return math.floor(value)
    if rounding is Rounding.ZERO:
        return math.trunc(value)
    if rounding is Rounding.EVEN:
        return round(value)
    if rounding is Rounding.UP:
        return math.floor(value + Fraction(1, 2))
    size = math.floor(abs(value) + Fraction(1, 2))
    return size if value > 0 else -size


def quotient(n, d, shift, divider):
    """Return n 2^shift / d as `quotient_words` describes it."""
    if not divider.by_reciprocal:
        return exact(Fraction(n * 2**shift, d), divider.rounding)
    e = d.bit_length() - 1
    k, w = divider.index_bits, divider.word_bits
    below = math.floor(Fraction(d, 2**e) * 2**k) - 2**k
    r = divider.table[below]
    for _ in range(divider.newton_steps):
        t = 2 ** (2 * w + 1) - math.floor(Fraction(d * 2**w, 2**e)) * r
        r = math.floor(Fraction(r * math.floor(Fraction(t, 2**w)), 2**w))
    return exact(Fraction(n * r) * Fraction(2) ** (shift - w - e), divider.rounding)


def verdict(v, position, light, failed, at_edge=False):
    """Return (x, y, status)."""
    limit = 2 ** (v.position.bits - 1)
    if light < v.least_light:
        status = SpotStatus.DIM
    elif failed or any(not -limit <= p < limit for p in position):
        status = SpotStatus.FAILED
    elif at_edge or abs(position[0]) > v.edge_x or abs(position[1]) > v.edge_y:
        status = SpotStatus.EDGE
    else:
        status = SpotStatus.OK
    return (*(position if status == SpotStatus.OK else (0, 0)), int(status))


def thresholded(frame, words):
    """One frame (nested lists of int) by the steps of `read_thresholded_centroid`."""
    v, top = words.verdict, 2 ** (words.sum_bits - 1) - 1
    S = X = Y = 0
    failed = False

    def cut(value):
        nonlocal failed
        failed = failed or not -top - 1 <= value <= top
        return min(max(value, -top - 1), top)

    for j, row in enumerate(frame):
        s = x = 0
        for i, pixel in enumerate(row):
            light = pixel - words.threshold_dn
            if light > 0:
                s += light
                x += light * (2 * i - v.width + 1)
        S, X, Y = cut(S + s), cut(X + x), cut(Y + s * (2 * j - v.height + 1))
    shift = v.position.fraction - 1
    d = max(S, 1)
    place = [quotient(m, d, shift, words.divider) for m in (X, Y)]
    return verdict(v, place, S, failed)


def correlation(light, p):
    """Correlation with the profiles, by the steps of `correlations`."""
    height, width = len(light), len(light[0])
    taps = range(2 * p.reach + 1)

    def pixel(row, i):
        return row[i] if 0 <= i < len(row) else 0

    rows = [
        [(sum(p.along_x[i][k] * pixel(row, i + k - p.reach) for k in taps) + 2 ** (p.fraction - 1))
         >> p.fraction for i in range(width)]
        for row in light
    ]  # fmt: skip
    return [
        [sum(p.along_y[j][k] * pixel([r[i] for r in rows], j + k - p.reach) for k in taps)
         for i in range(width)]
        for j in range(height)
    ]  # fmt: skip


def peak(matched):
    """Row and column of the first largest value."""
    best = max(max(row) for row in matched)
    return next((j, row.index(best)) for j, row in enumerate(matched) if best in row)


def weighted(frame, words):
    """One frame by the steps of `read_weighted_centroid`."""
    v = words.verdict
    F, T = v.position.fraction, words.table_fraction
    light = [[(pixel << words.level.fraction) - words.level.word for pixel in row] for row in frame]
    total = sum(map(sum, light))
    j, i = peak(correlation(light, words.start))
    p = [(2 * i - v.width + 1) * 2 ** (F - 1), (2 * j - v.height + 1) * 2 ** (F - 1)]
    failed, before = False, p

    def weight(d):
        return words.weights[abs(d)] if abs(d) < len(words.weights) else 0

    for _ in range(words.iterations):
        before = p
        c = [exact(Fraction(each, 2 ** (F - T)), Rounding.UP) for each in p]
        m0 = mx = my = 0
        for j in range(v.height):
            dy = (2 * j - v.height + 1) * 2 ** (T - 1) - c[1]
            r0 = r1 = 0
            for i in range(v.width):
                dx = (2 * i - v.width + 1) * 2 ** (T - 1) - c[0]
                r0 += light[j][i] * weight(dx)
                r1 += light[j][i] * weight(dx) * dx
            r0, r1 = (exact(Fraction(r, 2**words.weight_bits), Rounding.UP) for r in (r0, r1))
            m0, mx, my = m0 + weight(dy) * r0, mx + weight(dy) * r1, my + weight(dy) * dy * r0
        if m0 <= 0:
            failed, m0 = True, 1
        p = []
        for axis, m in enumerate((mx, my)):
            q = quotient(m, m0, F - T, words.divider)
            q = min(max(q, -words.largest_step), words.largest_step)
            step = exact(Fraction(q * words.stride, 256), Rounding.UP)
            step = min(max(step, -words.largest_step), words.largest_step)
            side = (v.width, v.height)[axis]
            last = (side - 1) * 2 ** (F - 1)
            p.append(min(max((c[axis] << (F - T)) + step, -last), last))
    failed = failed or any(abs(a - b) > words.settled for a, b in zip(p, before, strict=True))
    return verdict(v, p, total, failed)


def above(frame, words):
    """Light above the level, and its sum."""
    level = words.level
    light = [[(pixel << level.fraction) - level.word for pixel in row] for row in frame]
    return light, sum(map(sum, light))


def down(value, bits):
    """Return value / 2^bits, to the nearest, ties up."""
    return math.floor(Fraction(value, 2**bits) + Fraction(1, 2))


def logarithm(value, table):
    """Return log2 by the steps of `log_words`."""
    e = value.bit_length() - 1
    m = math.floor(Fraction(value, 2**e) * 2**16) - 2**16
    i, f = divmod(m, 256)
    return e * 2**16 + table[i] + down((table[i + 1] - table[i]) * f, 8)


def peaked(frame, words):
    """One frame by the steps of `read_peak`."""
    v = words.verdict
    F = v.position.fraction
    light, total = above(frame, words)
    seen = light if words.matched is None else correlation(light, words.matched)
    j, i = peak(seen)
    outermost = i in (0, v.width - 1) or j in (0, v.height - 1)
    i, j = min(max(i, 1), v.width - 2), min(max(j, 1), v.height - 2)
    five = [seen[j][i], seen[j][i - 1], seen[j][i + 1], seen[j - 1][i], seen[j + 1][i]]
    failed = min(five) < 1
    c, left, right, up, down_ = (logarithm(max(each, 1), words.logarithms) for each in five)
    place = []
    for middle, side, b, a in ((i, v.width, left, right), (j, v.height, up, down_)):
        d = 2 * c - b - a
        failed = failed or d < 1
        offset = quotient(a - b, max(d, 1), F - 1, words.divider)
        place.append((2 * middle - side + 1) * 2 ** (F - 1) + offset)
    return verdict(v, place, total, failed, outermost)


def quartered(frame, words):
    """One frame by the steps of `read_quad_cell`."""
    v = words.verdict
    light, _ = above(frame, words)
    T = X = Y = 0
    for j, row in enumerate(light):
        below = j >= v.height - words.half_height
        if not below and j >= words.half_height:
            continue
        for i, each in enumerate(row):
            right = i >= v.width - words.half_width
            if not right and i >= words.half_width:
                continue
            T, X, Y = T + each, X + (each if right else -each), Y + (each if below else -each)
    place, failed = [], False
    for excess in (X, Y):
        r = quotient(excess, max(T, 1), 16, words.divider)
        failed = failed or abs(r) > words.largest_ratio
        i, f = divmod(min(abs(r), words.largest_ratio), 256)
        offset = words.curve[i] + down((words.curve[i + 1] - words.curve[i]) * f, 8)
        place.append(exact(Fraction(offset if r >= 0 else -offset, 16), words.divider.rounding))
    return verdict(v, place, T, failed)


def fitted(frame, words):
    """One frame by the steps of `read_gaussian_fit`."""
    v, P = words.verdict, words.model_fraction
    F, T = v.position.fraction, words.table_fraction
    light, total = above(frame, words)
    n = v.width * v.height
    j, i = peak(correlation(light, words.start))
    p = [(2 * i - v.width + 1) * 2 ** (F - 1), (2 * j - v.height + 1) * 2 ** (F - 1)]
    failed, before = False, p

    def entry(table, d):
        return table[abs(d)] if abs(d) < len(table) else 0

    for _ in range(words.iterations):
        before = p
        c = [down(each, F - T) for each in p]
        axes = []
        for side, at in zip((v.width, v.height), c, strict=True):
            d = [(2 * k - side + 1) * 2 ** (T - 1) - at for k in range(side)]
            g = [entry(words.profile, each) for each in d]
            h = [entry(words.slope, each) * (-1 if each < 0 else 1) for each in d]
            both = list(zip(g, h, strict=True))
            axes.append((
                g, h, sum(g), down(sum(a * a for a in g), P), sum(h),
                down(sum(b * b for b in h), P), down(sum(a * b for a, b in both), P),
            ))  # fmt: skip
        (gx, hx, p1x, p2x, *x), (gy, hy, p1y, p2y, *y) = axes
        G = X = Y = 0
        for j, row in enumerate(light):
            rg = down(sum(a * b for a, b in zip(row, gx, strict=True)), P)
            rh = down(sum(a * b for a, b in zip(row, hx, strict=True)), P)
            G, X, Y = G + gy[j] * rg, X + gy[j] * rh, Y + hy[j] * rg
        g1, g2 = down(p1x * p1y, P), down(p2x * p2y, P)
        D = g2 * n - down(g1 * g1, P)
        A = quotient(G * n - g1 * total, max(D, 1), 0, words.divider)
        failed = failed or D < 1 or A < 1
        A = min(max(A, 1), words.most_light)
        B = quotient(total - down(A * g1, P), n, 4, words.divider)
        p = []
        for axis, (found, (s1, s2, sp), other) in enumerate(
            ((X, x, (p1y, p2y)), (Y, y, (p1x, p2x)))
        ):
            left = found - down(A * sp, P) * other[1] - down(B * s1, P + 4) * other[0]
            curve = down(A * s2, P) * other[1]
            failed = failed or curve < 1
            step = quotient(left, max(curve, 1), F, words.divider)
            step = min(max(step, -words.largest_step), words.largest_step)
            last = ((v.width, v.height)[axis] - 1) * 2 ** (F - 1)
            p.append(min(max(c[axis] * 2 ** (F - T) + step, -last), last))
    failed = failed or any(abs(a - b) > words.settled for a, b in zip(p, before, strict=True))
    return verdict(v, p, total, failed)
