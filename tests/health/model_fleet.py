"""A fleet in closed loop, in a few lines of its own: what the watches are tried on.

Mirror and amplifier are the exact model of one frame, the controller an integrator; none of it is
the loop of the program. Faults act on some mirrors from a frame on.
"""

import numpy as np
from scipy.linalg import expm

from sim.foundations.ports import PlantBelief, Setpoint, Sight, TiltReading

FRAME_S = 1e-3
PLANT = PlantBelief(
    FRAME_S, 3e-4, 1e-3, 5e-5, (2 * np.pi * 700.0, 2 * np.pi * 760.0), (8.0, 8.0), 4e-5, 0.075
)
NOISE_RAD = 33e-6
LIMIT_RAD = 0.085


def _steps(w, q, lag):
    a = np.array([[0, 1, 0, 0], [-w * w, -w / q, w * w, 0], [0, 0, -1 / lag, 1 / lag], [0] * 4])
    return expm(a * FRAME_S / 20)


def _frame(tick):
    """Return what a frame of 20 ticks makes of (tilt, rate, drive, asked): its end, and its mean
    tilt over the first six ticks."""
    power, exposed = np.eye(4), np.zeros(4)
    for k in range(20):
        power = tick @ power
        if k < 6:
            exposed += power[0] / 6
    return power[:3], exposed


class Fleet:
    """M mirrors; `fault(frame)` of each kind is applied to the marked ones."""

    def __init__(self, m=96, seed=1, kind=None, which=(), from_frame=0, size=0.0, moves=()):
        self.rng = np.random.default_rng(seed)
        self.m, self.kind, self.which = m, kind, np.isin(np.arange(m), which)
        self.from_frame, self.size, self.moves = from_frame, size, dict(moves)
        self.reference = self.rng.uniform(-0.03, 0.03, (m, 2))
        self.frame = [_frame(_steps(w, q, PLANT.amplifier_s)) for w, q in
                      zip(PLANT.resonance_rad_s, PLANT.quality, strict=True)]
        self.x = np.zeros((2, 3, m))
        self.gain = 1 + 0.005 * self.rng.standard_normal((m, 2))
        self.x[:, 0] = self.x[:, 2] = (self.reference * self.gain).T
        self.nominal = np.zeros((2, 3, m))
        self.nominal[:, 0] = self.nominal[:, 2] = self.reference.T
        self.wander = 20e-6 * self.rng.standard_normal((m, 2))
        self.correction = np.zeros((m, 2))
        self.k = 0

    def sight(self):
        """Play one frame, and return what the firmware sees of it."""
        k, on = self.k, self.k >= self.from_frame
        for first, by in self.moves.items():
            if first <= k < first + 20:  # half a cosine over 20 frames
                share = [0.5 - 0.5 * np.cos(np.pi * (j - first) / 20) for j in (k, k + 1)]
                self.reference = self.reference + (share[1] - share[0]) * by
        bad = self.which & on
        noise, gain, extra = np.full(self.m, NOISE_RAD), self.gain, np.zeros((self.m, 2))
        if self.kind == "weak":
            gain = np.where(bad[:, None], self.gain * self.size, self.gain)
        if self.kind == "noisy":
            noise = np.where(bad, NOISE_RAD * self.size, noise)
        if self.kind == "drifting":
            extra[bad] = self.size * (k - self.from_frame) * FRAME_S
        if self.kind == "oscillating":
            extra[bad] = self.size * np.sin(2 * np.pi * 83.0 * k * FRAME_S)
        a = np.exp(-FRAME_S / 5.0)
        self.wander = a * self.wander + 20e-6 * np.sqrt(1 - a * a) * self.rng.standard_normal(
            (self.m, 2))
        asked = (self.reference + self.correction) * gain
        held = self.x.copy()
        total, expected = np.zeros((self.m, 2)), np.zeros((self.m, 2))
        for axis, (end, exposed) in enumerate(self.frame):
            path = np.concatenate([self.nominal[axis], self.reference[None, :, axis]])
            expected[:, axis], self.nominal[axis] = exposed @ path, end @ path
            before = np.concatenate([self.x[axis], asked[None, :, axis]])
            total[:, axis] = exposed @ before
            self.x[axis] = end @ before
        if self.kind == "stuck":
            self.x[:, :, bad] = held[:, :, bad]
            total[bad] = self.x[:, 0].T[bad]
        reading = total + self.wander + extra + noise[:, None] * self.rng.standard_normal(
            (self.m, 2))
        status = np.zeros(self.m, np.uint8)
        if self.kind == "lost":
            status[bad] = 1
            reading = np.where(bad[:, None], np.nan, reading)
        error = np.where(status[:, None] == 0, expected - reading, 0.0)
        self.correction = np.clip(self.correction + 0.1 * error, -LIMIT_RAD - self.reference,
                                  LIMIT_RAD - self.reference)
        self.k += 1
        return Sight(
            TiltReading(reading, status),
            Setpoint(expected, -LIMIT_RAD - self.reference,
                     LIMIT_RAD - self.reference),
            self.correction.copy(),
        )


def played(watch, fleet, frames):
    """Return (alarm frame (M,), frame of the kind (M,), kind (M,), gain (M,), evidence (T, M))."""
    state = watch.initial_state(fleet.m)
    alarm, told = np.full(fleet.m, -1), np.full(fleet.m, -1)
    evidence = np.zeros((frames, fleet.m))
    for k in range(frames):
        state, found = watch.step(state, fleet.sight())
        evidence[k] = found.evidence
        alarm = np.where((alarm < 0) & (found.evidence >= 1), k, alarm)
        told = np.where((told < 0) & (found.kind > 0), k, told)
    return alarm, told, found.kind, found.gain, evidence
