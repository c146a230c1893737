"""From the largest evidence of healthy mirrors to a rate of false alarms far beyond it."""

from typing import Any, Final, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from sim.foundations.ports import Array

BLOCK_FRAMES: Final = 256
"""Evidence hangs together over some frames; its largest value in so many counts once."""
SHARE: Final = 0.1
"""Share of the blocks whose largest values the tail is fitted to."""
FEWEST: Final = 10
"""Values that a tail is fitted to, at least."""
CONFIDENCE: Final = 0.95
MS_1000H: Final = 3.6e9


class Tail(NamedTuple):
    """An exponential tail: the rate of blocks whose largest evidence exceeds x."""

    watched_mirror_h: float
    """Time of all healthy mirrors together. [h]"""
    alarms: int
    """False alarms in it, counted."""
    above: float
    """Evidence from which the tail is fitted. [-]"""
    exceeding: int
    """Blocks above it."""
    rate_1000h: float
    """Rate at which it is exceeded, per mirror and 1000 h."""
    per_unit: float
    """The logarithm of the rate falls by this much for each unit of evidence. [-]"""
    spread: float
    """Standard deviation of the excesses over their mean: 1 for an exponential tail. [-]"""

    def at(self, evidence: float | Array) -> Array:
        """Return the rate at which an evidence is exceeded, per mirror and 1000 h."""
        return np.asarray(self.rate_1000h * np.exp(-self.per_unit * (evidence - self.above)))

    def interval(self, evidence: float) -> tuple[float, float]:
        """Return the 95 % interval of the rate: of the slope alone, far out all that matters.

        2 n b/b_true is chi-squared with 2 n degrees of freedom for exponential excesses.
        """
        tail = 0.5 * (1.0 - CONFIDENCE)
        slopes = [
            self.per_unit * chi2.ppf(q, 2 * self.exceeding) / (2 * self.exceeding)
            for q in (1.0 - tail, tail)
        ]
        low, high = (
            self.rate_1000h * float(np.exp(-slope * (evidence - self.above))) for slope in slopes
        )
        return low, high

    def filed(self) -> dict[str, Any]:
        """Return what is filed of it."""
        low, high = self.interval(1.0)
        return {
            "per_mirror_1000h": float(self.at(1.0)), "low": low, "high": high,
            "confidence": CONFIDENCE, "counted": self.alarms,
            "watched_mirror_h": self.watched_mirror_h, "fitted_above": self.above,
            "fitted_to": self.exceeding, "slope": self.per_unit, "spread_of_excesses": self.spread,
            "method": (
                f"extrapolated: an exponential tail fitted to the largest evidence of each "
                f"{BLOCK_FRAMES} frames of healthy mirrors, the upper {SHARE:.0%} of them, and "
                "followed to the threshold"
            ),
        }  # fmt: skip


def tail_of(evidence: list[NDArray[np.float32]], frame_ms: float) -> Tail | None:
    """Fit the tail; None if there is too little to fit it to.

    Parameters
    ----------
    evidence : list of (T, M) ndarray
        Of healthy mirrors, one array for each run.
    frame_ms : float
        Length of a frame. [ms]

    References
    ----------
    .. [1] Excesses over a high threshold are exponential for distributions with an exponential
       tail, the standard deviation of their slope 1/sqrt(n) of it (J. Pickands, Ann. Statist. 3
       (1975) 119; from memory).
    """
    blocks = np.concatenate([_blocks(each) for each in evidence]) if evidence else np.zeros(0)
    watched_ms = len(blocks) * BLOCK_FRAMES * frame_ms
    if len(blocks) * SHARE < FEWEST:
        return None
    above = float(np.quantile(blocks, 1.0 - SHARE))
    excess = blocks[blocks > above] - above
    if len(excess) < FEWEST or excess.mean() <= 0:
        return None
    rate = -np.log1p(-len(excess) / len(blocks)) / (BLOCK_FRAMES * frame_ms) * MS_1000H
    return Tail(
        watched_ms / 3.6e6, int((blocks >= 1.0).sum()), above, len(excess), float(rate),
        float(1.0 / excess.mean()), float(excess.std(ddof=1) / excess.mean()),
    )  # fmt: skip


def _blocks(evidence: NDArray[np.float32]) -> Array:
    """Return the largest evidence of each mirror in each whole block, in a row."""
    whole = len(evidence) // BLOCK_FRAMES
    cut = evidence[: whole * BLOCK_FRAMES].astype(float)
    return cut.reshape(whole, BLOCK_FRAMES, -1).max(axis=1).ravel()
