"""The settings that every estimator has."""

from sim.params import Block, NonNegative, Positive


class SpotSettings(Block):
    """When a reading is not to be trusted; the same two rules for every estimator."""

    min_flux_dn: Positive
    """Frames with less summed light than this read DIM. [DN]"""
    edge_px: NonNegative
    """Readings nearer than this to the outermost pixel centres read EDGE. [px]"""
