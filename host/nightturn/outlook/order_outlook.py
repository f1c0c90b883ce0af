"""What the speeds of a plan do to the orders: sampling, encoder, resonance, hum and turns, before anything turns.

The estimators ask the same functions when a cycle is over (`estimation.band`, `estimation.remarks`, `estimation.hum`).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from nightturn.errors import ConfigError
from nightturn.estimation.band import band_of, bins_needed, named_orders, orders_text, speed_needed_rpm
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.filter_remarks import matters_hz
from nightturn.estimation.folds import BINS
from nightturn.estimation.hum import clear_speed, hum_order
from nightturn.estimation.localised import LOCAL_TURNS
from nightturn.estimation.spectra import cogging_order, declared_orders
from nightturn.estimation.transfer import CORRECTED_SHARE, FILTER_REACH
from nightturn.estimation.turns import bins_for
from nightturn.model.phases import HOLD, SLOW_TURN
from nightturn.model.quantities import fixed, number, rounded_down
from nightturn.settings.mistakes import Place
from nightturn.settings.rig import FixtureSettings, Hold, SlowTurn

TURNS_WANTED = {
    SLOW_TURN: 2,
    HOLD: LOCAL_TURNS,
}  # for friction's own scatter; for the test of ripple by angle
UNJUDGED = "peak to peak will not be judged"


@dataclass(frozen=True, slots=True)
class PhaseOutlook:
    """One measuring phase: its speed and what it does to the unit's orders.

    Attributes:
        phase: `slow_turn` or `hold`.
        speed_rpm, revolutions: as planned.
        turns_wanted: revolutions a pass should have, see `TURNS_WANTED`.
        order: the unit's highest fundamental order that figures look at.
        samples_per_period: samples in one period of that order.
        angle_bins: into how many bins a revolution is cut, so that each has a count and more than a sample.
        highest_order: the highest order that these bins can carry.
        order_hz: frequency of `order`.
        unseen: declared orders of both machines above that one.
        resonance_share: the same over the rig's torsional resonance; None when that is not declared.
        filter_matters_hz: at this corner or below a low-pass before the converter takes 1 % or more from `order`, above it nothing to
            speak of from any fundamental; None when the rig file states the corner.
    """

    phase: str
    speed_rpm: float
    revolutions: int
    turns_wanted: int
    order: int
    samples_per_period: float
    angle_bins: int
    highest_order: int
    order_hz: float
    unseen: tuple[int, ...]
    resonance_share: float | None
    filter_matters_hz: float | None


def fundamental_orders(pole_pairs: int, slots: int) -> tuple[int, ...]:
    """The lowest mechanical orders of each cause, without multiples.

    1 to 4 (alignment, bearings), p, 2p, 6p, 12p (current offset, gain, electromotive harmonics), the slot count (an
    odd magnet) and LCM(2p, slots) (cogging; Zhu and Howe, IEEE Trans. Energy Conversion 15(4), 2000).
    """
    electrical = {pole_pairs * times for times in (1, 2, 6, 12)}
    return tuple(sorted({1, 2, 3, 4, slots, cogging_order(pole_pairs, slots)} | electrical))


def phase_outlook(
    settings: FixtureSettings, conditions: Conditions, name: str, phase: SlowTurn | Hold, order: int
) -> PhaseOutlook:
    """One phase of the plan; `order` is the highest fundamental of the unit that figures look at."""
    samples = settings.rate_hz * 60 / phase.speed_rpm
    order_hz = order * phase.speed_rpm / 60
    band = band_of(conditions, samples)
    return PhaseOutlook(
        phase=name,
        speed_rpm=phase.speed_rpm,
        revolutions=phase.revolutions,
        turns_wanted=TURNS_WANTED[name],
        order=order,
        samples_per_period=samples / order,
        angle_bins=band.bins,
        highest_order=band.highest,
        order_hz=order_hz,
        unseen=band.unseen,
        resonance_share=None if settings.resonance_hz is None else order_hz / settings.resonance_hz,
        filter_matters_hz=None if settings.filter is not None else matters_hz(order_hz),
    )


def phases_warnings(
    settings: FixtureSettings, phases: tuple[PhaseOutlook, ...], conditions: Conditions, place: Place
) -> Iterator[str]:
    """What each phase will see worse than it could, with the key that changes it and what would do."""
    encoder_at_fault = False
    for phase in phases:
        speed = place.inside("plan").inside(phase.phase)
        unseen = [order for order in phase.unseen if bins_needed(order) <= BINS]
        if unseen and phase.order <= phase.highest_order:
            coarse = bins_for(settings.encoder.counts_per_rev, math.inf) < bins_needed(unseen[-1])
            if not coarse:
                yield str(_unseen_by_sampling(settings, phase, unseen, speed))
            elif not encoder_at_fault:
                yield str(_unseen_by_encoder(settings, phase, unseen, place))
                encoder_at_fault = True
        yield from _turns_warnings(phase)
        yield from map(str, _resonance_warnings(settings, phase, conditions, speed))
        yield from map(str, _filter_warnings(settings, phase, conditions, speed))
        yield from map(str, _hum_warnings(settings, phase, conditions, speed))


def sampling_errors(settings: FixtureSettings, phase: PhaseOutlook, place: Place) -> Iterator[ConfigError]:
    """A fundamental order that the figures would look at, were it not for this speed or this encoder."""
    order = phase.order
    if order <= phase.highest_order:
        return
    bins = bins_needed(order)
    counts_per_rev = settings.encoder.counts_per_rev
    if bins_for(counts_per_rev, math.inf) < bins:
        if phase.phase == SLOW_TURN:  # of the rig, not of a phase: reported once
            what = f"{counts_per_rev} puts order {order} above the encoder's resolution, which ends at order {phase.highest_order}"
            yield place.inside("encoder").mistake("counts_per_rev", what, f"from {bins}")
        return
    what = (
        f"{number(phase.speed_rpm)} puts order {order} above what the sampling resolves: {fixed(phase.samples_per_period, 1)} samples a period, "
        f"good for orders to {phase.highest_order}"
    )
    yield place.inside("plan").inside(phase.phase).mistake("speed_rpm", what, _slower(settings, order))


def _slower(settings: FixtureSettings, order: int) -> str:
    """At which speed this rate shows an order."""
    most = rounded_down(speed_needed_rpm(order, settings.rate_hz))
    return f"at most {most} at rate_hz = {settings.rate_hz}, or a higher rate_hz"


def _unseen_by_sampling(
    settings: FixtureSettings, phase: PhaseOutlook, unseen: list[int], place: Place
) -> ConfigError:
    """Multiples that the sampling leaves out."""
    what = (
        f"{number(phase.speed_rpm)} leaves {orders_text(unseen)} above what the sampling resolves, orders to {phase.highest_order}: where "
        f"they may matter {UNJUDGED}"
    )
    return place.mistake("speed_rpm", what, _slower(settings, unseen[-1]))


def _unseen_by_encoder(
    settings: FixtureSettings, phase: PhaseOutlook, unseen: list[int], place: Place
) -> ConfigError:
    """Multiples that the encoder leaves out."""
    what = (
        f"{settings.encoder.counts_per_rev} leaves {orders_text(unseen)} above the encoder's resolution, orders to {phase.highest_order}: where "
        f"they may matter {UNJUDGED}"
    )
    return place.inside("encoder").mistake("counts_per_rev", what, f"from {bins_needed(unseen[-1])}")


def _turns_warnings(phase: PhaseOutlook) -> Iterator[str]:
    if phase.revolutions < phase.turns_wanted:
        effect = "friction has its own scatter only after five cycles"
        if phase.phase == HOLD:
            one = phase.revolutions == 1
            effect = "ripple has no uncertainty" if one else "ripple is not tested for localised disturbances"
        turns = "one turn" if phase.revolutions == 1 else f"{phase.revolutions} turns"
        yield f"{phase.phase}: with {turns} a pass {effect}; plan {phase.turns_wanted} or more"


def _resonance_warnings(
    settings: FixtureSettings, phase: PhaseOutlook, conditions: Conditions, place: Place
) -> Iterator[ConfigError]:
    """Orders too near the resonance to be corrected for it: the highest fundamental, else the first of the others."""
    if settings.resonance_hz is None:
        return
    near = [
        order
        for order in named_orders(conditions)
        if order <= phase.highest_order
        and order * phase.speed_rpm / 60 >= CORRECTED_SHARE * settings.resonance_hz
    ]
    if not near:
        return
    order = phase.order if phase.order in near else near[0]
    order_hz = order * phase.speed_rpm / 60
    share = order_hz / settings.resonance_hz
    higher = [each for each in near if each > order]
    more = f", {orders_text(higher)} as well" if higher else ""
    what = (
        f"{number(phase.speed_rpm)} puts order {order} at {fixed(share * 100, 0)} % of the rig's resonance "
        f"({fixed(order_hz, 1)} of {number(settings.resonance_hz)} Hz), where it is amplified too much to be corrected{more}; "
        f"where they matter {UNJUDGED}"
    )
    most = 60 * CORRECTED_SHARE * settings.resonance_hz / order
    yield place.mistake("speed_rpm", what, f"for order {order} below {rounded_down(most)}")


def _filter_warnings(
    settings: FixtureSettings, phase: PhaseOutlook, conditions: Conditions, place: Place
) -> Iterator[ConfigError]:
    """Orders too far beyond the corner that the rig file states to be corrected; what a sheet states is known later."""
    if settings.filter is None:
        return
    reach_hz = FILTER_REACH * settings.filter.hz
    beyond = [
        order
        for order in named_orders(conditions)
        if order <= phase.highest_order and order * phase.speed_rpm / 60 > reach_hz
    ]
    if not beyond:
        return
    what = (
        f"{number(phase.speed_rpm)} puts {orders_text(beyond)} beyond {number(FILTER_REACH)} times the filter's corner of "
        f"{number(settings.filter.hz)} Hz, where nothing corrects them; where they matter {UNJUDGED}"
    )
    most = 60 * reach_hz / beyond[-1]
    yield place.mistake("speed_rpm", what, f"for order {beyond[-1]} below {rounded_down(most)}")


def _hum_warnings(
    settings: FixtureSettings, phase: PhaseOutlook, conditions: Conditions, place: Place
) -> Iterator[ConfigError]:
    orders = np.array(sorted(declared_orders(conditions, phase.highest_order)), np.int64)
    met = hum_order(orders, phase.speed_rpm, phase.revolutions, settings.mains_hz)
    if met is None:
        return
    hum_hz, order = met
    clear = clear_speed(orders, phase.speed_rpm, phase.revolutions, settings.mains_hz)
    advice = (
        "another speed; no clear one is near"
        if clear is None
        else f"{number(clear, 4)} rpm, the nearest clear speed"
    )
    what = f"at {number(phase.speed_rpm)} rpm the {number(hum_hz)} Hz mains hum coincides with order {order}: {UNJUDGED} if it is in it"
    yield place.mistake("speed_rpm", what, advice)
