"""The response spectrum that an event is required to reach, and how much of it is reached."""

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np

from sim.assembly.build import Built
from sim.foundations.ports import Array, stated_events
from sim.mechanics.profiles.profile import ToleranceBand, unit_vector
from sim.mechanics.profiles.spectrum_match import required_at
from sim.mechanics.shock_spectrum import shock_spectrum, thinned

LINES_PER_OCTAVE = 24


class Reached(NamedTuple):
    """How an event stands against a required response spectrum."""

    event: str
    share: float
    """Smallest share of the required response that is reached."""
    at_hz: float
    """Where that is."""
    quality: float

    @property
    def met(self) -> bool:
        """Whether all of it is reached."""
        return self.share >= 1.0 - 1e-9

    @property
    def words(self) -> str:
        """In one line."""
        return (
            f"{self.event} reaches {100 * self.share:.3g} % of the required response spectrum at "
            f"{self.at_hz:.4g} Hz (Q = {self.quality:g})"
        )


def required_band(corners: Sequence[tuple[float, float]], quality: float) -> ToleranceBand:
    """Return a required response spectrum as a band without a top.

    Parameters
    ----------
    corners : sequence of (float, float)
        Frequencies [Hz] and responses [g], straight between them on logarithmic axes.
    quality : float
        Of the resonators.
    """
    pairs = tuple((float(f), float(g)) for f, g in corners)
    low, high = pairs[0][0], pairs[-1][0]
    at = np.geomspace(low, high, int(LINES_PER_OCTAVE * np.log2(high / low)) + 1)
    at = np.union1d(at[1:-1], [f for f, _ in pairs])
    wanted = required_at(pairs, at)
    return ToleranceBand("spectrum", at, wanted, wanted, np.full_like(wanted, np.inf),
                "as required", quality)  # fmt: skip


def reached_by(built: Built) -> list[Reached]:
    """Return how every event of a run stands against its required response spectrum.

    Each event is held to it by itself, along its direction (a record along its strongest axis), as
    it is played at the base; steady surroundings are not. Empty if nothing is required.
    """
    wanted = built.resolved.requirements
    if wanted.response_spectrum is None:
        return []
    corners = [(corner.hz, corner.g) for corner in wanted.response_spectrum]
    band = required_band(corners, wanted.response_quality)
    clock, found = built.parts.clock, []
    for disturbance in built.parts.disturbances:
        for event in stated_events([disturbance]):
            _, effects = disturbance.advance(disturbance.initial_state(), 0, clock.n_frames)
            if effects.acceleration_m_s2 is None:
                continue
            wave = along(disturbance, np.asarray(effects.acceleration_m_s2, dtype=float))
            wave, rate_hz = thinned(wave, 1.0 / clock.tick_s, float(band.at[-1]))
            response = shock_spectrum(wave, rate_hz, band.at, band.quality)
            share = response / band.low
            at = int(share.argmin())
            found.append(
                Reached(event.name, float(share[at]), float(band.at[at]), band.quality)
            )
    return found


def missed_spectra(built: Built) -> tuple[str, ...]:
    """Return, in words, which events do not reach the response spectrum that is required.

    A run that plays no event does not reach it either.
    """
    if built.resolved.requirements.response_spectrum is None:
        return ()
    found = reached_by(built)
    if not found:
        return ("a response spectrum is required, and no event shakes the base",)
    return tuple(each.words for each in found if not each.met)


def along(disturbance: Any, acceleration_m_s2: Array) -> Array:
    """Return (K,) acceleration along a profile's direction, or the strongest axis of a record."""
    if getattr(disturbance, "profile", None) is None:
        return acceleration_m_s2[:, int(np.abs(acceleration_m_s2).max(axis=0).argmax())]
    return np.asarray(acceleration_m_s2 @ unit_vector(disturbance.params.direction))
