"""The settings that every estimator has."""

from typing import Annotated

from sim.foundations.params import Block, between


class SpotSettings(Block):
    """When a reading is not to be trusted; the same two rules for every estimator.

    Valid for windows of up to 256 x 256 pixels of 16 bit, which hold 4.3e9 DN at most; an edge
    of half a window leaves no place for a spot.
    """

    min_flux_dn: Annotated[float, between(1e-6, 4.3e9)]
    """Frames with less summed light than this read DIM. [DN]"""
    edge_px: Annotated[float, between(0.0, 128.0)]
    """Readings nearer than this to the outermost pixel centres read EDGE. [px]"""
