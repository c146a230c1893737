"""The shipped watch: cumulative sums of log-likelihood ratios on whitened residuals."""

import math
from typing import Annotated, Any, Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.foundations.files.text import counted
from sim.foundations.params import Block, between
from sim.foundations.ports import Array, PlantBelief
from sim.foundations.ports.watch import FaultKind, Findings, Sight
from sim.health import likelihood
from sim.health.diagnosis import CERTAIN, FramesAfterAlarm, diagnose
from sim.health.learnt_scatter import keeps_false_alarm_rate, threshold_learnt
from sim.health.moves import LastPlace, gain_by_move, nowhere
from sim.health.response import CorrectionResponse
from sim.health.trend import Trend
from sim.health.whitening import Learnt, learn, nothing_learnt, whitened

TESTS: Final = 9
"""Sums that run beside each other on one mirror: shifts (2 axes, 2 senses), scatter, lines (2
axes), not following, lost spots."""
FEWEST: Final = 8
"""Mirrors of which the middle one stands for what all have in common."""
RINGING: Final = 6.0
"""Time constants of the believed mirror's ringing that pass between an alarm and the frames from
which its kind is told."""
STILL_RAD: Final = 1e-8
"""A mirror whose expected tilt changes by more in a frame is being moved."""


class CusumParams(Block):
    """Cumulative sums (Page's test) of log-likelihood ratios, one for each sign of a fault.

    Valid as long as healthy residuals, whitened, are near normal: thresholds are far out in the
    tails, where `mirrorloop health` says what the rate of false alarms really is.
    """

    kind: Literal["cusum"] = "cusum"
    false_alarms_per_mirror_1000h: Annotated[float, between(1e-6, 1e6)] = 0.1
    """Wanted; the threshold is the logarithm of the frames between them times the number of sums
    (Lorden's bound), and more where scatter is learnt from few frames. [-]"""
    learn_ms: Annotated[float, between(1.0, 1e7)] = 2000.0
    """How long each mirror is learnt at the start, in which it must be healthy. Below some 500
    frames no threshold keeps `false_alarms_per_mirror_1000h`. [ms]"""
    settle_ms: Annotated[float, between(0.0, 1e5)] = 30.0
    """After a mirror has been moved nothing is concluded from where it is for so long. [ms]"""
    level_ms: Annotated[float, between(1.0, 1e6)] = 200.0
    """Time constant with which the unexplained tilt is followed: slower wander is health. [ms]"""
    whitening: Annotated[int, between(0, 8)] = 2
    """Order of the autoregression that makes the residuals independent. [-]"""
    shift_sigma: Annotated[float, between(0.1, 10.0)] = 1.5
    """Shift that is looked for, in standard deviations of a reading. [-]"""
    scatter_ratio: Annotated[float, between(1.05, 10.0)] = 1.5
    """Scatter that is looked for, over the learnt one. [-]"""
    line_sigma: Annotated[float, between(0.1, 10.0)] = 0.7
    """Amplitude of the oscillation that is looked for, in standard deviations of a reading. [-]"""
    lost_healthy: Annotated[float, between(1e-9, 0.1)] = 1e-4
    """Share of frames in which a healthy spot is lost. [-]"""
    lost_gone: Annotated[float, between(0.2, 0.999)] = 0.5
    """Share of frames that is looked for. [-]"""
    gain_error_pct: Annotated[float, between(0.01, 20.0)] = 0.5
    """Standard deviation of a healthy gain about the one believed: a mirror that makes much less of
    a move is weak. [%]"""
    wander_urad: Annotated[float, between(1e-3, 1e6)] = 400.0
    """Unexplained tilt since a mirror was last aimed, however slow, from which it is drifting
    off. [urad]"""
    patience_ms: Annotated[float, between(0.0, 1e6)] = 3000.0
    """How long a mirror that may be stuck as well as drifting off is watched on, at most: both look
    alike but for what small corrections do. [ms]"""
    window_frames: Annotated[int, between(16, 1024)] = 64
    """Frames of a block in which a line is looked for, and of those after an alarm from which its
    kind is told. [-]"""


class CusumState(NamedTuple):
    """All that the watch remembers; arrays have the mirrors first."""

    frame: int
    still: NDArray[np.int64]
    """(M,) frames since the mirror was last moved."""
    expected_rad: Array
    """(M, 2) where it was expected in the last frame. [rad]"""
    response: Array
    """(M, 2, n) what corrections have done to the believed mirror."""
    level_rad: Array
    """(M, 2) unexplained tilt, followed slowly. [rad]"""
    base_rad: Array
    """(M, 2) the same, once it was known after the last move. [rad]"""
    levelled: NDArray[np.int64]
    """(M,) frames that went into the level since the last move."""
    last: LastPlace
    """Before the last move."""
    learnt: Learnt
    follows: Array
    """(M, 2, 2) level and trend of a mirror that follows its corrections. [rad]"""
    stays: Array
    """(M, 2, 2) of one that stays where it is. [rad]"""
    shift: Array
    """(M, 2, 2) sums, sense first."""
    scatter: Array
    """(M,) sum."""
    line: Array
    """(M, 2) sums."""
    stuck: Array
    """(M,) sum."""
    lost: Array
    """(M,) sum."""
    readings: Array
    """(M, 2, N) whitened readings of the last frames."""
    residuals_rad: Array
    """(M, 2, N) of the last frames. [rad]"""
    responses_rad: Array
    """(M, 2, N) of the last frames. [rad]"""
    seen: NDArray[np.bool_]
    """(M, N) of the last frames."""
    since: Array
    """(M,) log-likelihood ratio of not following, once the filters have caught up with an alarm."""
    alarm_frame: NDArray[np.int64]
    """(M,) frame of an alarm whose kind is not known yet, or -1."""
    kind: NDArray[np.uint8]
    """(M,) FaultKind."""
    gain: Array
    """(M,) as found, or NaN."""


class Cusum:
    """Page's test on whitened residuals: shift, scatter, lines, not following, lost spots.

    The residual of a mirror is its reading, less what path and corrections make one expect, less
    what all mirrors have in common (the camera's motion), less its own slow level.

    References
    ----------
    .. [1] E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954) 100.
    .. [2] G. Lorden, Ann. Math. Statist. 42 (1971) 1897: the threshold.
    """

    Params = CusumParams

    def __init__(self, params: CusumParams, plant: PlantBelief) -> None:
        self.params = params
        frame_ms = 1e3 * plant.frame_s
        self._response = CorrectionResponse(plant)
        decay_s = [2 * q / w for w, q in zip(plant.resonance_rad_s, plant.quality, strict=True)]
        self._ringing = math.ceil(RINGING * max(decay_s) / plant.frame_s)
        memory = max(0.5 * params.level_ms / frame_ms, 2.0)
        self._trend = Trend(math.exp(-1.0 / memory))
        self._caught_up = round(3.0 * memory)
        frames_1000h = 3.6e9 / frame_ms
        self.learn_frames = max(round(params.learn_ms / frame_ms), 32)
        wanted = max(TESTS * frames_1000h / params.false_alarms_per_mirror_1000h, 10.0)
        self.threshold = threshold_learnt(wanted, self.learn_frames, params.scatter_ratio)
        """On every sum. [nat]"""
        self.warnings = () if keeps_false_alarm_rate(self.threshold, wanted) else (
            f"health.watch.learn_ms: scatter learnt from {counted(self.learn_frames, 'frame')} "
            "keeps no rate "
            f"of false alarms as low as {params.false_alarms_per_mirror_1000h:g} per mirror and "
            "1000 h; learn longer",
        )  # fmt: skip
        """What the user should know."""
        self.settle_frames = round(params.settle_ms / frame_ms)
        self.patience_frames = round(params.patience_ms / frame_ms)
        self._follow = min(frame_ms / params.level_ms, 1.0)

    def initial_state(self, n_mirrors: int) -> CusumState:
        """Return the state before the first frame."""
        m, n = n_mirrors, self.params.window_frames
        return CusumState(
            frame=0,
            still=np.zeros(m, np.int64),
            expected_rad=np.full((m, 2), np.inf),
            response=self._response.at_rest(m),
            level_rad=np.zeros((m, 2)),
            base_rad=np.zeros((m, 2)),
            levelled=np.zeros(m, np.int64),
            last=nowhere(m),
            learnt=nothing_learnt(m, self.params.whitening),
            follows=np.zeros((m, 2, 2)),
            stays=np.zeros((m, 2, 2)),
            shift=np.zeros((m, 2, 2)),
            scatter=np.zeros(m),
            line=np.zeros((m, 2)),
            stuck=np.zeros(m),
            lost=np.zeros(m),
            readings=np.zeros((m, 2, n)),
            residuals_rad=np.zeros((m, 2, n)),
            responses_rad=np.zeros((m, 2, n)),
            seen=np.zeros((m, n), bool),
            since=np.zeros(m),
            alarm_frame=np.full(m, -1, np.int64),
            kind=np.zeros(m, np.uint8),
            gain=np.full(m, np.nan),
        )

    def forget(self, state: CusumState, which: NDArray[np.bool_]) -> CusumState:
        """Return the state with the marked mirrors as before their first frame."""
        fresh = self.initial_state(len(which))

        def chosen(old: NDArray, new: NDArray) -> NDArray:
            return np.where(which.reshape(-1, *(1,) * (old.ndim - 1)), new, old)

        arrays: dict[str, Any] = {
            name: chosen(old, getattr(fresh, name))
            for name, old in state._asdict().items() if isinstance(old, np.ndarray)
        }  # fmt: skip
        learnt = Learnt(*map(chosen, state.learnt, fresh.learnt))
        last = LastPlace(*map(chosen, state.last, fresh.last))
        return state._replace(**arrays, last=last, learnt=learnt)

    def step(self, state: CusumState, sight: Sight) -> tuple[CusumState, Findings]:
        """Return (next state, findings)."""
        p, reference = self.params, sight.setpoint.reference_rad
        seen = sight.reading.status == 0
        moved = (np.abs(reference - state.expected_rad) > STILL_RAD).any(axis=1)
        still = np.where(moved, 0, state.still + 1)
        good = seen & (still >= self.settle_frames)
        response = self._response.tilt_rad(state.response)
        tilt = np.where(seen[:, None], sight.reading.tilt_rad, 0.0)
        unexplained = tilt - reference - response
        levelled = np.where(moved, 0, state.levelled)
        last = self._left(state, np.asarray(moved), response)
        surprise = unexplained - state.level_rad
        told = (state.alarm_frame >= 0) | (state.kind > 0)
        common = self._common(surprise, good & (levelled >= p.window_frames) & ~told)
        residual = np.where(good[:, None], surprise - common, 0.0)
        share = np.where(told | ~good, 0.0, np.maximum(self._follow, 1.0 / (levelled + 1.0)))
        level = state.level_rad + share[:, None] * residual
        levelled = levelled + good
        base = np.where((levelled <= p.window_frames)[:, None], level, state.base_rad)
        settled = good & (levelled > p.window_frames)

        learnt = learn(state.learnt, residual, settled & ~told, self.learn_frames)
        learnt, z = whitened(learnt, residual, settled)
        known = learnt.frames >= self.learn_frames
        ready = settled & known
        after = state._replace(
            frame=state.frame + 1, still=still, expected_rad=reference.copy(),
            response=self._response.after(state.response, sight.correction_rad),
            level_rad=level, base_rad=base, levelled=levelled, last=last, learnt=learnt,
            readings=_pushed(state.readings, z), seen=_pushed(state.seen, seen),
            residuals_rad=_pushed(state.residuals_rad, residual),
            responses_rad=_pushed(state.responses_rad, response),
        )  # fmt: skip
        after = self._summed(after, z, ready, seen)
        after = self._followed(after, tilt - common, unexplained - common, seen, known)
        wandered = np.abs(level - base).max(axis=1) * 1e6 / p.wander_urad
        sums = self._sums(after)
        evidence = np.maximum(sums.max(axis=1), np.where(known, wandered, 0.0))
        gain, by_move = self._after_move(after, reference + response, good & known & ~told)
        evidence = np.maximum(evidence, by_move)
        return self._judged(after, sums, evidence, reference + response, gain)

    def _left(self, state: CusumState, moved: NDArray[np.bool_], response: Array) -> LastPlace:
        """Return where mirrors stood before they were moved, with those that begin to move now."""
        leaves = (moved & (state.levelled > self.params.window_frames))[:, None]
        return LastPlace(
            np.where(leaves, np.where(leaves, state.expected_rad, 0.0) + response,
                     state.last.asked_rad),
            np.where(leaves, state.level_rad, state.last.level_rad),
        )  # fmt: skip

    def _after_move(
        self, state: CusumState, asked: Array, good: NDArray[np.bool_]
    ) -> tuple[Array, Array]:
        """Return (gain, evidence (M,)) of mirrors whose level has become known after a move."""
        gain, nats = np.full(len(good), np.nan), np.zeros(len(good))
        now = good & (state.levelled == self.params.window_frames)
        if now.any():
            frames = np.maximum(state.learnt.frames[now], 1.0)
            scatter = np.sqrt(state.learnt.products[now][..., 0].max(axis=1) / frames)
            last = LastPlace(state.last.asked_rad[now], state.last.level_rad[now])
            gain[now], nats[now] = gain_by_move(
                last, asked[now], state.level_rad[now], scatter, 0.01 * self.params.gain_error_pct
            )
        return np.where(nats >= self.threshold, gain, np.nan), nats / self.threshold

    def _common(self, surprise: Array, good: NDArray[np.bool_]) -> Array:
        """Return what the middle mirror moved, (2,); nothing if there are few."""
        if good.sum() < FEWEST:
            return np.zeros(2)
        return np.asarray(np.median(surprise[good], axis=0))

    def _summed(
        self, state: CusumState, z: Array, ready: NDArray[np.bool_], seen: NDArray[np.bool_]
    ) -> CusumState:
        """Return the state with the sums on whitened readings, and on lost spots, carried on."""
        p = self.params
        shift = likelihood.of_shift(z, p.shift_sigma).transpose(1, 0, 2)
        scatter = likelihood.of_scatter(z, p.scatter_ratio)
        lost = likelihood.of_loss(seen, p.lost_healthy, p.lost_gone)
        line = state.line
        if state.frame % p.window_frames == 0:
            block = likelihood.of_line(state.readings.transpose(2, 0, 1), p.line_sigma)
            whole = ready & (state.levelled > 2 * p.window_frames)
            line = np.where(whole[:, None], np.maximum(0.0, line + block), line)
        return state._replace(
            shift=np.where(ready[:, None, None], np.maximum(0.0, state.shift + shift), state.shift),
            scatter=np.where(ready, np.maximum(0.0, state.scatter + scatter), state.scatter),
            lost=np.maximum(0.0, state.lost + lost),
            line=line,
        )

    def _followed(
        self, state: CusumState, tilt: Array, unexplained: Array, seen: NDArray[np.bool_],
        known: NDArray[np.bool_],
    ) -> CusumState:  # fmt: skip
        """Return the state with the sum on whether the mirror follows, carried on."""
        good = seen[:, None]
        following = unexplained - self._trend.expect(state.follows)
        staying = tilt - self._trend.expect(state.stays)
        variance = (
            self._trend.variance
            * np.where(known[:, None], state.learnt.products[..., 0], 1.0)
            / np.maximum(state.learnt.frames, 1.0)[:, None]
        )
        safe = np.where(variance > 0, variance, 1.0)
        caught_up = (state.alarm_frame >= 0) & (state.frame - state.alarm_frame > self._caught_up)
        term = np.where(good, 0.5 * (following**2 - staying**2) / safe, 0.0).sum(axis=1)
        return state._replace(
            follows=self._trend.after(state.follows, unexplained, good),
            stays=self._trend.after(state.stays, tilt, good),
            stuck=np.where(known, np.maximum(0.0, state.stuck + term), 0.0),
            since=np.where(caught_up, state.since + term, 0.0),
        )

    def _sums(self, state: CusumState) -> Array:
        """Return (M, 5) shares of the threshold: shift, scatter, line, stuck, lost."""
        return np.stack(
            [
                state.shift.max(axis=(1, 2)), state.scatter, state.line.max(axis=1), state.stuck,
                state.lost,
            ],
            axis=1,
        ) / self.threshold  # fmt: skip

    def _judged(
        self, state: CusumState, sums: Array, evidence: Array, tilt: Array, by_move: Array
    ) -> tuple[CusumState, Findings]:
        """Raise alarms, and name the kind of those that have been watched for long enough."""
        fresh = (evidence >= 1.0) & (state.alarm_frame < 0) & (state.kind == 0)
        gone = fresh & (sums[:, 4] >= 1.0)
        alarm_frame = np.where(fresh, state.frame, state.alarm_frame)
        kind, gain = np.where(gone, np.uint8(FaultKind.LOST), state.kind), state.gain
        alarm_frame = np.where(gone, -1, alarm_frame)
        weak = fresh & ~gone & np.isfinite(by_move) & (sums.max(axis=1) < 1.0)
        kind, gain = np.where(weak, np.uint8(FaultKind.WEAK), kind), np.where(weak, by_move, gain)
        alarm_frame = np.where(weak, -1, alarm_frame)
        passed = np.where(alarm_frame >= 0, state.frame - alarm_frame, -1)
        wanted = self.params.window_frames + self._ringing
        due = passed == wanted
        if due.any():
            kind, gain = kind.copy(), gain.copy()
            kind[due], gain[due] = self._told(state, sums, tilt, due)
        # What does not follow and what drifts off look alike but for small corrections.
        alike = (kind == FaultKind.DRIFTING) | (kind == FaultKind.STUCK)
        sure = (np.abs(state.since) > CERTAIN) | (passed >= self.patience_frames)
        waiting = ((due & alike) | (passed > wanted)) & ~sure
        late = (passed > wanted) & sure
        slow = np.where(state.since > CERTAIN, FaultKind.STUCK, FaultKind.DRIFTING)
        kind = np.where(late, slow, np.where(waiting, FaultKind.NONE, kind))
        kind = np.where((passed >= 0) & (sums[:, 4] >= 1.0), FaultKind.LOST, kind)
        alarm_frame = np.where(kind > 0, -1, alarm_frame)
        state = state._replace(alarm_frame=alarm_frame, kind=kind.astype(np.uint8), gain=gain)
        return state, Findings(state.kind, evidence, state.gain)

    def _told(
        self, state: CusumState, sums: Array, tilt: Array, due: NDArray[np.bool_]
    ) -> tuple[NDArray[np.uint8], Array]:
        """Return kinds and gains of the mirrors that have been watched for long enough."""
        first = sums[due].argmax(axis=1)
        variance = state.learnt.products[due][..., 0] / state.learnt.frames[due][:, None]
        return diagnose(
            FramesAfterAlarm(
                state.residuals_rad[due].transpose(2, 0, 1),
                state.responses_rad[due].transpose(2, 0, 1),
                state.seen[due].T,
                tilt[due],
                variance,
                state.since[due],
                first == 1,
                first == 2,
            )
        )


def _pushed(ring: NDArray, newest: NDArray) -> NDArray:
    """Return the last frames (..., N) with the newest at the end."""
    return np.concatenate([ring[..., 1:], newest[..., None]], axis=-1)
