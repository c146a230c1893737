"""The block `[life]` of a scenario: ageing, dimming, service, and episodes by rate."""

from typing import Annotated, Any

from pydantic import Field

from sim.foundations.params import Block, NonNegative, Positive

Rate = Annotated[float, Field(ge=0, le=1000)]
Energy = Annotated[float, Field(ge=0, le=3)]


class MonitorParams(Block):
    """The monitor light, which dims as it ages: signal = exp(-rate x effective hours).

    Valid while the lamp dims at a rate that temperature alone changes; sudden failures are
    drawn apart from it.
    """

    dimming_pct_per_1000_h: Rate = 0.0
    """Loss of light at the reference temperature. [%]"""
    activation_ev: Energy = 0.0
    """Of the dimming; 0: the same at any temperature. [eV]"""
    replace_at_pct: Annotated[float, Field(gt=0, le=100)] = 50.0
    """Share of the first light at which the lamp is replaced at the next inspection. [%]"""
    failures_per_year: Rate = 0.0
    """How often the lamp fails at once; the loops then hold. [1/year]"""
    repair_h: Positive = 24.0
    """From a failure to a new lamp. [h]"""


class ServiceParams(Block):
    """What people do to the switch, and how often.

    Valid for events that are rare against the time they take: each is done before the next of
    its kind.
    """

    moves_per_port_year: Annotated[float, Field(ge=0, le=1e5)] = 0.0
    """How often a port is connected anew; two inputs exchange their outputs. [1/year]"""
    remates_per_port_year: Rate = 0.0
    """How often a front-panel connector is mated anew: its loss is drawn again, and
    `switch.budget.wear_db` is added for each mating. [1/year]"""
    repeak_days: NonNegative = 0.0
    """Every so often all beams are aimed anew by received power; 0: never by schedule. [d]"""
    repeak_at_db: Positive | None = None
    """All beams are aimed anew at an inspection that finds a misalignment loss above this; none:
    never so. [dB]"""
    peak_error_urad: NonNegative = 0.0
    """Error that this leaves, standard deviation per axis and mirror. [urad]"""
    recalibrate_days: NonNegative = 0.0
    """Every so often the drive's gain is measured anew; 0: never by schedule. [d]"""
    recalibrate_at_pct: Positive | None = None
    """The drive's gain is measured anew at an inspection that finds it wrong by more than this for
    any mirror, as corrections in proportion to tilts show it; none: never so. [%]"""
    inspect_days: Positive = 30.0
    """How often the switch is inspected. [d]"""
    board_failures_per_year: Rate = 0.0
    """How often one board (of `boards`) fails; its mirrors are dark until it is replaced.
    [1/year]"""
    board_repair_h: Positive = 8.0
    """From a failure to a new board, whose gains are calibrated as new. [h]"""


class EpisodeParams(Block):
    """An event that comes at random, such as an earthquake: simulated by the full loop.

    Valid for events that are short against the time between them, so that each meets a switch
    that has settled.
    """

    name: Annotated[str, Field(min_length=1, max_length=80)]
    """For tables. [-]"""
    per_year: Rate
    """How often it comes. [1/year]"""
    disturbance: dict[str, Any]
    """A disturbance as in `[[disturbances]]`: a shock or a record."""
    duration_ms: Positive
    """How long the full loop simulates. [ms]"""
    shift_urad: NonNegative = 0.0
    """Shift of each beam that it leaves and no camera sees, standard deviation per axis, as tilt of
    a mirror. [urad]"""


class LifeParams(Block):
    """A life of the switch, in steps of seconds to hours.

    `switch.budget` says what mirrors and ports gain in loss over `years`; it grows in proportion to
    age, faster where it is warm. Temperature is that of the scenario's thermal disturbance over
    `reference_c`. Valid while ageing is a slow change of a working switch: wear that ends suddenly
    is a failure rate.
    """

    years: Annotated[float, Field(gt=0, le=100)] = 15.0
    """Design life, and how long is simulated if the command does not say. [years]"""
    step_h: Annotated[float, Field(gt=0, le=24)] = 1.0
    """Longest step. After a change of drive steps begin at ten seconds and grow. [h]"""
    reference_c: Annotated[float, Field(ge=-50, le=120)] = 23.0
    """Temperature at which everything was aligned, and for which rates hold. [degC]"""
    loss_activation_ev: Energy = 0.0
    """Of the ageing of mirrors and ports; 0: the same at any temperature. [eV]"""
    monitor: MonitorParams = MonitorParams()
    service: ServiceParams = ServiceParams()
    episodes: Annotated[tuple[EpisodeParams, ...], Field(max_length=20)] = ()
    """Events by rate."""
