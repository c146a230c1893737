"""Choosing gains: least predicted loss with margins kept for the whole population."""

from collections.abc import Callable, Mapping, Sequence
from itertools import product
from typing import Any, Final, NamedTuple

import numpy as np

from controllers import CONTROLLERS, SHAPERS
from controllers.analysis.linearise import linearise
from controllers.analysis.loop import (
    Loop,
    answer,
    axis_gain,
    close,
    frequency_grid,
    growth,
    largest_singular_value,
    loop_gain,
    sensitivity,
)
from controllers.analysis.margins import margins
from controllers.rules import effective_delay_s, per_frame, simc_pure_delay, ziegler_nichols
from sim.build import Built
from sim.errors import ScenarioError
from sim.loops.plant import belief_of, plant_of
from sim.loops.predict import Prediction, predict
from sim.loops.spectra import Spectra, spectra_of
from sim.metrics import mirror_name
from sim.ports import Array
from sim.registry import resolve
from sim.scenario import check_block

BANDS: Final = 120
GRID: Final = 260
"""Coarse grids for the search; the chosen point is checked on fine ones."""
SLACK: Final = 0.004
"""Margins are kept by this much more while searching on the coarse grid, relative."""
TRANSIENT_FRAMES: Final = 400
SETTLING_SHARE: Final = 0.9
"""Share of the scenario's limit on settling that is aimed at, because noise adds to it. [-]"""
FINEST: Final = 2.0**-8
"""Smallest step of the search, as a share of each knob's range."""


class Knob(NamedTuple):
    """One setting to choose, between two values, on a logarithmic scale unless `low` is zero."""

    name: str
    low: float
    high: float

    def value(self, share: float) -> float:
        """Return the setting at a share of the range."""
        if self.low > 0:
            return float(self.low * (self.high / self.low) ** share)
        return self.low + (self.high - self.low) * share

    def share(self, value: float) -> float:
        """Return where in the range a setting is, cut off at its ends."""
        if self.low > 0:
            part = np.log(max(value, self.low) / self.low) / np.log(self.high / self.low)
        else:
            part = (value - self.low) / (self.high - self.low)
        return float(np.clip(part, 0.0, 1.0))


KNOBS: Final[dict[str, tuple[Knob, ...]]] = {
    "integrator": (Knob("gain", 0.003, 1.0),),
    "pi": (Knob("integral_per_frame", 0.003, 1.0), Knob("proportional", 0.0, 0.6)),
    "pid": (
        Knob("integral_per_frame", 0.003, 1.0),
        Knob("proportional", 0.0, 0.6),
        Knob("derivative_frames", 0.0, 0.6),
    ),
    "smith": (Knob("response_ms", 0.5, 300.0),),
    "lqg": (Knob("control_weight", 0.001, 1000.0), Knob("noise_urad", 1.0, 1000.0)),
}
"""What is varied for each shipped controller, and how far."""


class Demands(NamedTuple):
    """What every mirror must keep."""

    ms: float
    """Largest Ms of both axes together. [-]"""
    gain_margin_db: float
    """[dB]"""
    settling_ms: float | None
    """Longest predicted settling; None: no demand. [ms]"""
    settling_weight: float = 0.0
    """What a millisecond of the slowest settling is worth; 0: the loss alone counts. [dB/ms]"""

    def cost_db(self, candidate: "Candidate") -> float:
        """Return what is made least: loss and weighted settling. [dB]"""
        if not self.settling_weight:
            return candidate.loss_db
        return candidate.loss_db + self.settling_weight * candidate.settling_ms


class Candidate(NamedTuple):
    """One set of gains and what it is worth."""

    settings: dict[str, Any]
    """The whole controller table."""
    stable: bool
    ms: float
    """Largest over the population. [-]"""
    ms_mirror: str
    gain_margin_db: float
    """Smallest over the population; infinite if there is none. [dB]"""
    gain_mirror: str
    settling_ms: float
    """Slowest predicted settling of the population. [ms]"""
    settling_mirror: str
    noise_rad: float
    """Radial rms that noise and steps of the loop's own instruments leave. [rad]"""
    disturbed_rad: float
    """Radial rms that disturbances leave. [rad]"""
    jitter_rad: float
    """Both together. [rad]"""
    loss_db: float
    """Predicted mean excess loss, what is left of the move's error included. [dB]"""
    meets: bool


class Outcome(NamedTuple):
    """What the search found."""

    chosen: Candidate
    present: Candidate
    """The scenario's own settings."""
    rules: dict[str, Candidate]
    """Published rules, where they exist for this controller."""
    tried: tuple[Candidate, ...]
    demands: Demands
    why: str
    """Why the search stopped where it did."""


class Bench:
    """Evaluates gains against one scenario; everything that does not depend on them is kept."""

    def __init__(self, built: Built, demands: Demands) -> None:
        self.built, self.demands = built, demands
        self.plant, self.belief = plant_of(built), belief_of(built)
        self.spectra: Spectra = spectra_of(built, BANDS)
        self.kind = str(built.resolved.controller["kind"])
        self._part = resolve(self.kind, CONTROLLERS, what="controller")
        self._error, self._path_s, self._hold_frame = _move(built)

    def controller(self, settings: Mapping[str, Any]) -> Any:
        """Return the controller that a table asks for.

        Raises
        ------
        ScenarioError
            If it refuses the settings.
        """
        block = check_block(self._part.Params, settings, "controller")
        try:
            return self._part(block, self.belief)
        except ValueError as exc:
            raise ScenarioError(f"controller: {exc}") from exc

    def loop(self, settings: Mapping[str, Any]) -> Loop:
        """Return the loops with a controller of these settings."""
        try:
            return Loop(linearise(self.controller(settings)), self.plant)
        except ValueError as exc:
            raise ScenarioError(f"controller: {exc}") from exc

    def judge(
        self, settings: Mapping[str, Any], slack: float = 0.0, n_grid: int = GRID
    ) -> Candidate:
        """Return what a set of gains is worth; `slack` tightens the margins."""
        loop = self.loop(settings)
        mirrors = self.built.parts.mirrors
        grid = frequency_grid(loop, n_grid)
        whole = sensitivity(loop_gain(loop, grid))
        ms = largest_singular_value(whole).max(axis=0)
        gain = np.nan_to_num(margins(grid, axis_gain(whole)).gain, nan=np.inf).min(axis=-1)
        closed = close(loop)
        stable = bool((growth(closed) < 1.0).all())
        settling_s, left = np.full(len(mirrors), np.inf), np.zeros((len(mirrors), 2))
        prediction: Prediction | None = None
        if stable:
            settling_s, left = self._transient(closed)
            prediction = predict(self.built, loop, self.spectra)
        own = np.array([n in OWN for n in prediction.names]) if prediction else np.zeros(0, bool)
        jitter = prediction.jitter_rad if prediction else np.zeros(0)
        demands = self.demands
        gain_db = 20 * np.log10(gain)
        meets = (
            stable
            and ms.max() <= demands.ms * (1 - slack)
            and gain_db.min() >= demands.gain_margin_db * (1 + slack)
            and (demands.settling_ms is None or 1e3 * settling_s.max() <= demands.settling_ms)
        )
        ports = self.built.resolved.switch.geometry.ports_per_side

        def name(at: np.intp) -> str:
            return mirror_name(int(mirrors[at]), ports)

        return Candidate(
            settings=dict(settings),
            stable=stable,
            ms=float(ms.max()) if stable else np.inf,
            ms_mirror=name(ms.argmax()),
            gain_margin_db=float(gain_db.min()) if stable else -np.inf,
            gain_mirror=name(gain.argmin()),
            settling_ms=1e3 * float(settling_s.max()),
            settling_mirror=name(settling_s.argmax()),
            noise_rad=float(np.sqrt((jitter[own] ** 2).sum())) if prediction else np.inf,
            disturbed_rad=float(np.sqrt((jitter[~own] ** 2).sum())) if prediction else np.inf,
            jitter_rad=prediction.total_rad if prediction else np.inf,
            loss_db=prediction.total_db + self._left_db(left) if prediction else np.inf,
            meets=bool(meets),
        )

    def _transient(self, closed: Any) -> tuple[Array, Array]:
        """Settling (M,) [s] after the last command, and mean square left in the hold interval."""
        steps = np.broadcast_to(self._error, (TRANSIENT_FRAMES, *self._error.shape))
        error = answer(closed, np.ascontiguousarray(steps))
        out = np.hypot(error[..., 0], error[..., 1]) > self.built.parts.tolerance_rad
        last = np.where(out.any(axis=0), len(out) - out[::-1].argmax(axis=0), 0)
        settling_s = self._path_s + last * self.plant.frame_s
        settling_s = np.where(out[-1], np.inf, settling_s)
        held = error[min(self._hold_frame, TRANSIENT_FRAMES - 1) :]
        return np.asarray(settling_s), (held**2).mean(axis=0)

    def _left_db(self, square_rad2: Array) -> float:
        epoch = self.built.parts.epochs[-1]
        if not len(epoch.pairs):
            return 0.0
        errors = square_rad2[epoch.pairs].reshape(len(epoch.pairs), 4)
        return float((errors * np.einsum("cii->ci", epoch.form_db)).sum(axis=-1).mean())


OWN: Final = {"measurement noise", "DAC steps", "amplifier noise"}
"""Contributors that are the loop's own instruments."""


def _move(built: Built) -> tuple[Array, float, int]:
    """Error (M, 2) that calibration and coupling leave after the last command, path length [s], and
    frames from the path's end to the hold interval.

    Without a command it is the error of the first aims, there when the run starts.
    """
    parts, scenario = built.parts, built.resolved
    last = parts.epochs[-1]
    before = parts.epochs[-2].aim_rad if len(parts.epochs) > 1 else np.zeros_like(last.aim_rad)
    move = last.aim_rad - before
    ratio = 1.0 / parts.population.calibration_ratio
    cross = np.array(scenario.mirror.cross_axis)
    error = (ratio - 1.0) * move + cross * (ratio * move)[:, ::-1]
    path_s = 0.0
    if len(parts.epochs) > 1:
        shaping = resolve(str(scenario.shaping["kind"]), SHAPERS, what="shaping")
        block = check_block(shaping.Params, scenario.shaping, "shaping")
        ticks = shaping(block, belief_of(built)).path(before, last.aim_rad)
        path_s = len(ticks) * parts.clock.tick_s
    since_s = 1e-3 * scenario.metrics.hold_from_ms - last.start_s - path_s
    return error, path_s, max(round(since_s / parts.clock.frame_s), 0)


def demands_of(
    built: Built,
    ms: float = 1.7,
    gain_margin_db: float = 6.0,
    settling_ms: float | None = None,
    settling_weight: float = 0.0,
) -> Demands:
    """Return the demands; settling, if not given, is `SETTLING_SHARE` of the scenario's limit."""
    limit = built.resolved.limits.settling_max_ms
    if settling_ms is None and limit is not None:
        settling_ms = SETTLING_SHARE * limit
    return Demands(ms, gain_margin_db, settling_ms, settling_weight)


def tune(
    built: Built,
    demands: Demands,
    knobs: Sequence[Knob] | None = None,
    progress: Callable[[int], None] | None = None,
) -> Outcome:
    """Search for the gains of the least predicted cost that keep the demands.

    The cost is the mean excess loss, plus the slowest settling times its weight.

    A scan over the whole range, then steps along single knobs from the best points, halved until
    they are `FINEST` of the range. What is not a knob stays as the scenario has it.

    Parameters
    ----------
    built : Built
        The scenario.
    demands : Demands
        What every mirror must keep.
    knobs : sequence of Knob, optional
        What to vary; from `KNOBS` if left out.
    progress : callable, optional
        Told the number of gains tried so far.

    Returns
    -------
    Outcome

    Raises
    ------
    ScenarioError
        If there is nothing to vary for this controller, or no gains keep the demands.
    """
    bench = Bench(built, demands)
    if knobs is None:
        if bench.kind not in KNOBS:
            raise ScenarioError(
                f'controller.kind: nothing is known to be tuned in "{bench.kind}"; name settings '
                f"with --vary NAME=LOW:HIGH. Known: {', '.join(KNOBS)}."
            )
        knobs = KNOBS[bench.kind]
    base = dict(built.resolved.controller)
    cache: dict[tuple[float, ...], Candidate] = {}

    def at(shares: tuple[float, ...]) -> Candidate:
        if shares not in cache:
            values = {k.name: k.value(x) for k, x in zip(knobs, shares, strict=True)}
            cache[shares] = bench.judge(base | values, SLACK)
            if progress is not None:
                progress(len(cache))
        return cache[shares]

    n = {1: 33, 2: 11, 3: 6}.get(len(knobs), 4)
    for shares in product(np.linspace(0, 1, n).tolist(), repeat=len(knobs)):
        at(tuple(shares))
    good = sorted((s for s, c in cache.items() if c.meets), key=lambda s: demands.cost_db(cache[s]))
    if not good:
        raise ScenarioError(_none(tuple(cache.values()), demands))
    best = good[0]
    step = 0.5 / (n - 1)
    while step > FINEST:
        around = [
            (*best[:i], min(max(best[i] + d, 0.0), 1.0), *best[i + 1 :])
            for i in range(len(knobs))
            for d in (-step, step)
        ]
        cost = demands.cost_db(at(best))
        better = [s for s in around if at(s).meets and demands.cost_db(at(s)) < cost]
        if better:
            best = min(better, key=lambda s: demands.cost_db(at(s)))
        else:
            step *= 0.5
    chosen = bench.judge(at(best).settings, 0.0, 1600)
    return Outcome(
        chosen=chosen,
        present=bench.judge(base),
        rules=_rules(bench, base),
        tried=tuple(cache.values()),
        demands=demands,
        why=_why(chosen, at(best), best, knobs, demands),
    )


def _rules(bench: Bench, base: dict[str, Any]) -> dict[str, Candidate]:
    """Published rules for integrator, PI and PID, from the believed plant's effective delay.

    For a process that is nothing but delay L an integrator of rate K per second has the ultimate
    value K = pi / (2 L) and period 4 L.
    """
    delay_s, frame_s = effective_delay_s(bench.belief), bench.plant.frame_s
    simc = simc_pure_delay(delay_s, frame_s)
    half = ziegler_nichols("p", np.pi / (2 * delay_s), 4 * delay_s)
    rules: dict[str, dict[str, float]] = {}
    if bench.kind == "integrator":
        rules = {"SIMC": {"gain": simc}, "half the ultimate gain": {"gain": half.gain * frame_s}}
    elif bench.kind in ("pi", "pid"):
        rest = {"proportional": 0.0} | (
            {"derivative_frames": 0.0} if bench.kind == "pid" else {}
        )
        ultimate = per_frame(ziegler_nichols("pi", 1.0, 2 * delay_s), frame_s)
        rules = {
            "SIMC": rest | {"integral_per_frame": simc},
            "half the ultimate gain": rest | {"integral_per_frame": half.gain * frame_s},
            "ultimate-gain PI": rest
            | {
                "proportional": ultimate.proportional,
                "integral_per_frame": ultimate.integral_per_frame,
            },
        }
    return {name: bench.judge(base | values) for name, values in rules.items()}


def _why(
    chosen: Candidate, coarse: Candidate, shares: tuple[float, ...], knobs: Sequence[Knob],
    demands: Demands,
) -> str:  # fmt: skip
    """Say which demand holds the chosen point, or that none does."""
    held = []
    if coarse.ms > demands.ms * (1 - 4 * SLACK):
        held.append(f"Ms of mirror {coarse.ms_mirror} ({coarse.ms:.3f} of {demands.ms:g})")
    if coarse.gain_margin_db < demands.gain_margin_db * (1 + 8 * SLACK):
        held.append(
            f"gain margin of mirror {coarse.gain_mirror} "
            f"({coarse.gain_margin_db:.2f} of {demands.gain_margin_db:g} dB)"
        )
    if demands.settling_ms is not None and coarse.settling_ms > 0.95 * demands.settling_ms:
        held.append(
            f"settling of mirror {coarse.settling_mirror} "
            f"({coarse.settling_ms:.1f} of {demands.settling_ms:g} ms)"
        )
    ends = [
        f"{k.name} at the end of its range, {k.value(x):g}"
        for k, x in zip(knobs, shares, strict=True)
        if x in (0.0, 1.0)
    ]
    if held:
        text = "Held by " + " and by ".join(held) + "."
    elif demands.settling_weight:
        text = (
            "No demand holds it: faster costs more loss than the settling it saves is worth, "
            "slower the other way round."
        )
    else:
        text = (
            "No demand holds it: faster passes more noise than it takes out disturbance, slower "
            "the other way round."
        )
    return text + (f" {'; '.join(ends).capitalize()}." if ends else "")


def _none(tried: Sequence[Candidate], demands: Demands) -> str:
    stable = [c for c in tried if c.stable]
    if not stable:
        return "controller: no gains in the range make every mirror stable"

    def excess(c: Candidate) -> float:
        late = 0.0
        if demands.settling_ms is not None:
            late = max(c.settling_ms / demands.settling_ms - 1, 0.0)
        lack = max(1 - c.gain_margin_db / max(demands.gain_margin_db, 1e-9), 0.0)
        return max(c.ms / demands.ms - 1, 0.0) + lack + late

    nearest = min(stable, key=excess)
    settling = "" if demands.settling_ms is None else f", settling {demands.settling_ms:g} ms"
    return (
        f"controller: none of {len(tried)} gains keeps Ms {demands.ms:g}, gain margin "
        f"{demands.gain_margin_db:g} dB{settling} for every mirror; the nearest has Ms "
        f"{nearest.ms:.3f} (mirror {nearest.ms_mirror}), {nearest.gain_margin_db:.2f} dB (mirror "
        f"{nearest.gain_mirror}) and settles in {nearest.settling_ms:.1f} ms (mirror "
        f"{nearest.settling_mirror})"
    )
