"""What may befall a camera, with weights; and what failures of its readings cost in the loop."""

from typing import Annotated

from pydantic import Field

from sim.foundations.params import Block, Fraction, between

Weight = Annotated[float, between(0.0, 1e6)]


class WeightsParams(Block):
    """How much each condition counts against the camera as it is, which counts 1.

    A weight is about the share of mirrors or of time that meets the condition. 0: it does not
    occur (no ghost; bad pixels are mapped and left out of windows). Defaults are ours.

    Valid from 0 to 1e6: only their ratios count.
    """

    ghost: Weight = 0.1
    """A ghost of 5 % of the light, 3.3 spot sigmas away. [-]"""
    hot_pixels: Weight = 0.1
    """0.1 % of the pixels as bright as the spot's peak; 0 with a bad-pixel map. [-]"""
    dead_pixels: Weight = 0.1
    """0.1 % of the pixels dead; 0 with a bad-pixel map. [-]"""
    prnu: Weight = 0.3
    """1 % photo response non-uniformity. [-]"""
    spill: Weight = 0.0
    """Spots of the neighbours 2 px beyond the window's edge. [-]"""
    defocus: Weight = 0.1
    """A spot 1.2 times as wide as designed. [-]"""
    background_step: Weight = 0.1
    """5 e-/px more background than designed. [-]"""
    motion: Weight = 0.1
    """A path of 2 px during the exposure. [-]"""
    dim: Weight = 0.1
    """Half of the light, with the settings of full light. [-]"""
    dark: Weight = 0.01
    """No light at all: a reading that says OK is wrong. [-]"""


class EstimatorComparisonParams(Block):
    """What the recommendation of an estimator goes by.

    Valid for up to 64 sets of frames, which take minutes, and prices up to a window's width.
    """

    seeds: Annotated[int, Field(ge=2, le=64)] = 8
    """Independent sets of frames that the recommendation rests on. [-]"""
    weights: WeightsParams = WeightsParams()
    noise_passed: Fraction | None = None
    """Part of the readings' noise power that the loop passes on; none: that of the scenario's own
    controller. [-]"""
    lost_px: Annotated[float, between(1e-6, 256.0)] = 0.25
    """Error that a lost reading is priced at: the loop holds, and drifts. [px]"""
    wrong_px: Annotated[float, between(1e-6, 256.0)] = 0.5
    """Error that a reading far from the truth is priced at on top of its own. [px]"""
    tenfold_cost_pct: Annotated[float, between(0.0, 1e4)] = 10.0
    """Ten times the arithmetic must lower the error by about this much. [%]"""
