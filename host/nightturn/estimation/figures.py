"""The one table of figures: columns, limit keys, MQTT, API, verdicts, the demo's summary and people's tables read it."""

from collections.abc import Callable

import msgspec

from nightturn.estimation import budget, friction_drafts
from nightturn.estimation import figure_drafts as drafts
from nightturn.estimation.band import band_of
from nightturn.estimation.budget import Enters
from nightturn.estimation.cogging import Cogging
from nightturn.estimation.draft import Draft
from nightturn.estimation.figure_drafts import Basis
from nightturn.estimation.gates import Signals, note_band, note_hole, note_shift
from nightturn.estimation.rig_net import (
    AT_TRANSDUCER,
    GROSS,
    gross_words,
    measurand_of,
    net_friction,
    note_gross,
)
from nightturn.estimation.ripple import Ripple
from nightturn.estimation.seen_torque import seen, seen_over_angle
from nightturn.estimation.transfer import RIG
from nightturn.estimation.turns import samples_per_rev
from nightturn.model.figures import Figure
from nightturn.model.phases import HOLD, SLOW_TURN

RIPPLE_PP = "ripple_pp_nm"
RIPPLE_RMS = "ripple_rms_nm"
RIPPLE_PCT = "ripple_pct_rated"
COGGING_PP = "cogging_pp_nm"
FRICTION = "friction_nm"
FRICTION_PCT = "friction_pct_rated"
FRICTION_VARIATION = "friction_variation_pp_nm"
COULOMB = "coulomb_nm"
VISCOUS = "viscous_nm_s_per_rad"
BREAKAWAY = "breakaway_nm"
ZERO = "zero_nm"
MEAN_TORQUE = "mean_torque_nm"


OF_RATED = " of rated"
"""End of a heading whose figure is given in per cent of the rated torque."""


class FigureSpec(msgspec.Struct, frozen=True):
    """What a figure is called, what makes it and when it is measured.

    Attributes:
        name: with its unit at the end; the key of columns, limits and messages.
        unit: of value and uncertainty.
        title: for a person.
        phase: in which it is measured; a condition on speed holds against the speed of that phase.
        make: works it out; rows that share one are worked out once. In N·m.
        heading: its name in a short list of figures; empty where it is not in it.
        of_rated: given in per cent of the rated torque; its interval is then that of the same figure in N·m.
        method: version of what makes it.
        enters: how errors of the torque channel enter it; rows that share what makes them share this.
        rests_on: the phases whose samples it is made of, `phase` where it is empty.
        waveform: made of the orders of a turn; a mean over the turn otherwise.
        measurand: what it is a figure of, in words.
        followed: what it is called where its course over cycles is followed; empty where it is not.
    """

    name: str
    unit: str
    title: str
    phase: str
    make: Callable[[Basis], Draft]
    heading: str = ""
    of_rated: bool = False
    method: int = 1
    enters: Enters = budget.DIFFERENCE
    rests_on: tuple[str, ...] = ()
    waveform: bool = False
    measurand: str = ""
    followed: str = ""

    @property
    def spoken(self) -> str:
        """Its name within a sentence, without the unit in which it is given."""
        name = self.heading.removesuffix(OF_RATED) or self.followed or self.title
        return name[:1].lower() + name[1:]


_AT_TRANSDUCER = f"{AT_TRANSDUCER}, {GROSS}"
_RIPPLE = (
    f"torque under load over one turn of the rotor at constant speed, cogging included, {_AT_TRANSDUCER}: "
)
_PP = "highest minus lowest value of the orders that repeat from turn to turn"
_FRICTION = (
    f"running friction at constant speed, {GROSS}: half the step of the mean torque over the same angles "
    "from one direction to the other"
)

_LINE = "straight line through running friction at the speeds of the slow passes and of the strokes, over the same angles"

_ROWS = (
    FigureSpec(
        RIPPLE_PP,
        "N·m",
        "Torque ripple under load, peak to peak",
        HOLD,
        drafts.ripple_pp,
        "ripple",
        waveform=True,
        method=10,
        measurand=_RIPPLE + _PP,
        followed="ripple",
    ),
    FigureSpec(
        RIPPLE_RMS,
        "N·m",
        "Torque ripple under load, rms",
        HOLD,
        drafts.ripple_rms,
        enters=budget.RMS,
        waveform=True,
        method=9,
        measurand=_RIPPLE + "root mean square without the noise",
        followed="ripple, rms",
    ),
    FigureSpec(
        RIPPLE_PCT,
        "%",
        "Torque ripple under load, peak to peak, of rated torque",
        HOLD,
        drafts.ripple_pp,
        "ripple of rated",
        of_rated=True,
        waveform=True,
        method=10,
        measurand=_RIPPLE + _PP,
    ),
    FigureSpec(
        COGGING_PP,
        "N·m",
        "Cogging torque, peak to peak",
        SLOW_TURN,
        drafts.cogging_pp,
        "cogging",
        waveform=True,
        method=10,
        measurand=f"unpowered torque over one turn that both directions share, {_AT_TRANSDUCER}: {_PP}",
        followed="cogging",
    ),
    FigureSpec(
        FRICTION,
        "N·m",
        "Running friction",
        SLOW_TURN,
        drafts.friction,
        "friction",
        enters=budget.HALF_STEP,
        method=9,
        measurand=_FRICTION,
        followed="friction",
    ),
    FigureSpec(
        FRICTION_PCT,
        "%",
        "Running friction, of rated torque",
        SLOW_TURN,
        drafts.friction,
        "friction of rated",
        of_rated=True,
        enters=budget.HALF_STEP,
        method=9,
        measurand=_FRICTION,
    ),
    FigureSpec(
        FRICTION_VARIATION,
        "N·m",
        "Running friction over angle, peak to peak",
        SLOW_TURN,
        friction_drafts.friction_variation,
        waveform=True,
        method=6,
        measurand=f"half of what the directions differ by at each angle of a turn, less its mean, {_AT_TRANSDUCER}: {_PP}",
    ),
    FigureSpec(
        COULOMB,
        "N·m",
        "Coulomb friction, from two speeds",
        SLOW_TURN,
        friction_drafts.coulomb,
        enters=budget.HALF_STEP,
        method=7,
        measurand=f"{_LINE}, at speed zero",
    ),
    FigureSpec(
        VISCOUS,
        "N·m·s/rad",
        "Viscous friction, from two speeds",
        SLOW_TURN,
        friction_drafts.viscous,
        enters=budget.HALF_STEP,
        method=7,
        measurand=f"{_LINE}: its slope",
    ),
    FigureSpec(
        BREAKAWAY,
        "N·m",
        "Breakaway torque",
        SLOW_TURN,
        friction_drafts.breakaway,
        enters=budget.AT_ONE_PLACE,
        method=6,
        measurand=(
            "largest torque within three degrees that opposes a start from rest, means over 20 ms, less zero and cogging; median of "
            "the starts of unpowered passes"
        ),
        followed="breakaway",
    ),
    FigureSpec(
        ZERO,
        "N·m",
        "Zero error of the torque channel, half-sum of both directions",
        SLOW_TURN,
        drafts.zero,
        enters=budget.HALF_SUM,
        method=8,
        measurand="reading without torque: half the sum of the mean torques of both directions, at the middle of the slow passes",
        followed="zero",
    ),
    FigureSpec(
        MEAN_TORQUE,
        "N·m",
        "Mean torque of the hold",
        HOLD,
        drafts.mean_torque,
        enters=budget.LEVEL,
        rests_on=(HOLD, SLOW_TURN),
        method=8,
        measurand="mean torque over whole turns of the hold at the transducer, friction included, less the zero of the slow passes",
    ),
)

FIGURES: dict[str, FigureSpec] = {spec.name: spec for spec in _ROWS}
"""By name, in the order of columns and records."""


def per_cent_of(rated_torque_nm: float) -> float:
    """The factor from N·m to per cent of the rated torque."""
    return 100.0 / rated_torque_nm


def figures_of(basis: Basis) -> tuple[Figure, ...]:
    """Every figure of the table, in its order."""
    percent = per_cent_of(basis.conditions.rated_torque_nm)
    signals = Signals.of(basis.measured.legs, basis.conditions, basis.measured.unheld)
    made: dict[Callable[[Basis], Draft], Draft] = {}
    saw = {phase: seen(basis, phase) for phase in (SLOW_TURN, HOLD)}
    over_angle = seen_over_angle(basis, saw[SLOW_TURN])
    gross = {phase: _gross_words(basis, phase) for phase in (SLOW_TURN, HOLD)}
    kind = budget.kind_of(basis.conditions.certificate)
    out = []
    for spec in FIGURES.values():
        if spec.make not in made:
            draft = made[spec.make] = _gated(spec, basis, signals, gross[spec.phase])
            if draft.value is not None:
                here = over_angle if spec.name == FRICTION_VARIATION else saw[spec.phase]
                draft.lines += budget.budget_lines(draft.value, spec.enters, here, basis.conditions)
        out.append(made[spec.make].figure(spec.name, spec.method, percent if spec.of_rated else 1.0, kind))
    return tuple(out)


def _gated(spec: FigureSpec, basis: Basis, signals: Signals, gross: str) -> Draft:
    """A figure with everything that speaks against its passes; `gross` says what a waveform of its phase has of the rig."""
    draft, legs = spec.make(basis), basis.measured.legs
    phases = spec.rests_on or (spec.phase,)
    net = _net(draft, spec, basis, gross)
    draft.measurand = measurand_of(spec.measurand, basis.conditions, net=net)
    if spec.waveform:
        _note_band(draft, spec, basis)
    else:
        for phase in phases:
            note_hole(draft, legs.get(phase, ()), basis.conditions.sense)
    for phase in phases:
        if not signals.findings.get(phase):  # a channel that clips or sticks shifts as well
            note_shift(draft, basis.measured.shifts[phase])
    signals.note(draft, phases)
    return draft


def _gross_words(basis: Basis, phase: str) -> str:
    """How much of the waveform of a phase the rig may have made; empty where it was taken off, or nothing is known."""
    measured = basis.measured
    found = measured.ripple if phase == HOLD else measured.cogging
    if found is None or _is_net(found):
        return ""
    speed_rpm = measured.hold_speed_rpm if phase == HOLD else measured.slow_speed_rpm
    return gross_words(found.gross, basis.conditions, speed_rpm, found.turns)


def _is_net(found: Ripple | Cogging) -> bool:
    """Whether the rig was taken off a waveform by its record."""
    return any(doubt.name == RIG for doubt in found.doubts)


def _net(draft: Draft, spec: FigureSpec, basis: Basis, gross: str) -> bool:
    """Whether a figure is net of the rig; a friction is made so here, and a waveform that is not says what that may mean."""
    measured, conditions = basis.measured, basis.conditions
    if spec.make is drafts.friction:
        return net_friction(draft, conditions, measured.slow_speed_rpm, basis.warmth)
    if (
        not spec.waveform or spec.name == FRICTION_VARIATION
    ):  # a rig record says nothing of friction over angle
        return False
    held = spec.phase == HOLD
    found = measured.ripple if held else measured.cogging
    if found is None:
        return False
    net = _is_net(found)
    if not net:
        speed_rpm = measured.hold_speed_rpm if held else measured.slow_speed_rpm
        note_gross(draft, gross, conditions, speed_rpm, held=held)
    return net


def _note_band(draft: Draft, spec: FigureSpec, basis: Basis) -> None:
    """Which orders a waveform of this phase contains."""
    measured = basis.measured
    held = spec.phase == HOLD
    found = measured.ripple if held else measured.cogging
    legs = measured.legs.get(spec.phase, ())
    if found is None or not legs:
        return
    band = band_of(basis.conditions, samples_per_rev(legs[0]))
    if spec.name == FRICTION_VARIATION:  # nobody declares orders of it
        draft.band = (1, band.highest)
        return
    amplitudes = {row[0]: row[1] for row in drafts.order_table(found)}
    speed_rpm = measured.hold_speed_rpm if held else measured.slow_speed_rpm
    note_band(draft, band, amplitudes, speed_rpm, basis.conditions)


def unit_of(name: str) -> str:
    """The unit of a figure; that of a single order is N·m."""
    spec = FIGURES.get(name)
    return spec.unit if spec is not None else "N·m"
