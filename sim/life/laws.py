"""Laws of ageing fitted to measured shifts, and what they say of later."""

from collections.abc import Callable
from typing import Final, Literal, NamedTuple

import numpy as np
import scipy

from sim.foundations.errors import ProfileError
from sim.foundations.ports import Array
from sim.life.arrhenius import acceleration

Kind = Literal["kohlrausch", "power"]
DRAWS: Final = 2000
CONFIDENCE: Final = 0.95
STARTS: Final = 12
FAR: Final = 10.0
"""An extrapolation to more than this many times the effective hours measured is called far."""
ENERGY_0_EV: Final = 0.5


class AgeingLaw(NamedTuple):
    """A law of age in hours at the reference temperature, with the covariance of its parameters.

    Kohlrausch: A (1 - exp(-(h/tau)^beta)); power law: A h^n. With several temperatures, hours are
    effective ones: h times Arrhenius' factor.
    """

    kind: Kind
    names: tuple[str, ...]
    values: Array
    """(P,) the logarithms of `parameters`; the energy as it is."""
    covariance: Array
    """(P, P)"""
    reference_c: float
    residual: float
    """Standard deviation of the residuals, in the unit of the shift."""
    freedom: int
    longest_h: float
    """Most effective hours of a measurement. [h]"""

    @property
    def parameters(self) -> dict[str, float]:
        """Parameters by name: [unit of shift], [h], [-], [eV]."""
        return {
            name: float(value if name == "activation_ev" else np.exp(value))
            for name, value in zip(self.names, self.values, strict=True)
        }

    def intervals(self) -> dict[str, tuple[float, float]]:
        """Return the 95 % interval of each parameter, symmetric in its logarithm."""
        quantile = scipy.special.stdtrit(self.freedom, 0.5 + 0.5 * CONFIDENCE)
        half = quantile * np.sqrt(np.diag(self.covariance))
        found = {}
        for name, value, h in zip(self.names, self.values, half, strict=True):
            ends = (value - h, value + h)
            low, high = ends if name == "activation_ev" else np.exp(np.clip(ends, -700, 700))
            found[name] = (float(low), float(high))
        return found

    def predict(self, hours: Array, celsius: float, seed: int = 0) -> tuple[Array, Array, Array]:
        """Return the shift and its 95 % interval at ages (T,), of the law and not of one reading.

        Parameters are drawn from their normal law; where the data leave them open, so is this.
        """
        middle = _shift(self.kind, self.names, self.values, hours, celsius, self.reference_c)
        rng = np.random.default_rng(seed)
        drawn = rng.multivariate_normal(self.values, self.covariance, DRAWS, method="eigh")
        with np.errstate(over="ignore", under="ignore"):
            many = np.stack([
                _shift(self.kind, self.names, np.clip(v, -200, 200), hours, celsius,
                       self.reference_c)
                for v in drawn
            ])  # fmt: skip
        edge = 50.0 * (1.0 - CONFIDENCE)
        low, high = np.percentile(np.minimum(many, 1e300), [edge, 100.0 - edge], axis=0)
        return middle, low, high


def fit_law(
    hours: Array, shift: Array, celsius: Array, kind: Kind, reference_c: float
) -> AgeingLaw:
    """Fit a law of ageing by least squares.

    Parameters
    ----------
    hours, shift, celsius : (N,) ndarray
        Age at each measurement [h], the shift, and the temperature that was held [degC].
    kind : {"kohlrausch", "power"}
        The law.
    reference_c : float
        Temperature for which its parameters hold. [degC]

    Raises
    ------
    ProfileError
        If there are fewer measurements than parameters need, or the fit finds no optimum.

    References
    ----------
    .. [1] R. Kohlrausch, Annalen der Physik 167 (1854) 179.
    """
    several = bool(np.ptp(celsius) > 0.1)
    names = {"kohlrausch": ("amplitude", "tau_h", "beta"), "power": ("amplitude", "exponent")}[kind]
    names = (*names, *(("activation_ev",) if several else ()))
    if len(hours) < len(names) + 2:
        raise ProfileError(
            f"a {kind} law needs at least {len(names) + 2} measurements (got {len(hours)})"
        )
    if not ((hours > 0).all() and np.isfinite(shift).all()):
        raise ProfileError("hours must be above 0 and shifts finite")
    if np.mean(shift) <= 0:
        raise ProfileError("shifts must grow upwards: change the sign of the column")
    law = _residuals(kind, names, hours, shift, celsius, reference_c)
    best = None
    for start in _starts(kind, several, hours, shift):
        found = scipy.optimize.least_squares(law, start, x_scale="jac", max_nfev=4000)
        if found.success and (best is None or found.cost < best.cost):
            best = found
    if best is None:
        raise ProfileError(f"no {kind} law was found that fits these measurements")
    freedom = len(hours) - len(names)
    variance = 2.0 * best.cost / freedom
    covariance = variance * np.linalg.pinv(best.jac.T @ best.jac, rcond=1e-14)
    energy = float(best.x[-1]) if several else 0.0
    effective = hours * acceleration(celsius, reference_c, energy)
    return AgeingLaw(
        kind, names, best.x, covariance, reference_c, float(np.sqrt(variance)), freedom,
        float(effective.max()),
    )  # fmt: skip


def _residuals(
    kind: Kind, names: tuple[str, ...], hours: Array, shift: Array, celsius: Array,
    reference_c: float,
) -> Callable[[Array], Array]:  # fmt: skip
    def residuals(values: Array) -> Array:
        with np.errstate(over="ignore"):
            law = _shift(kind, names, np.clip(values, -200, 200), hours, celsius, reference_c)
        return np.asarray(np.clip(law, -1e200, 1e200) - shift)

    return residuals


def _shift(
    kind: Kind, names: tuple[str, ...], values: Array, hours: Array, celsius: Array | float,
    reference_c: float,
) -> Array:  # fmt: skip
    energy = float(values[-1]) if names[-1] == "activation_ev" else 0.0
    age = np.maximum(hours, 0.0) * acceleration(celsius, reference_c, energy)
    if kind == "power":
        return np.asarray(np.exp(values[0]) * age ** np.exp(values[1]))
    share = -np.expm1(-((age / np.exp(values[1])) ** np.exp(values[2])))
    return np.asarray(np.exp(values[0]) * share)


def _starts(kind: Kind, several: bool, hours: Array, shift: Array) -> list[Array]:
    top = np.log(max(float(shift.max()), 1e-12))
    energy = [ENERGY_0_EV] if several else []
    if kind == "power":
        last = np.log(hours.max())
        return [np.array([top - n * last, np.log(n), *energy]) for n in (0.2, 0.5, 1.0)]
    taus = np.geomspace(hours.min(), 30.0 * hours.max(), STARTS // 2)
    return [
        np.array([top + np.log(1.5), np.log(tau), np.log(beta), *energy])
        for tau in taus
        for beta in (0.4, 0.8)
    ]
