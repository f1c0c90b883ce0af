"""By what angle torque is sampled late, from the pattern that both directions share."""

from dataclasses import dataclass, replace

import numpy as np

from nightturn.estimation.turns import Bools, Complex128s, Turns
from nightturn.model.tiles import Float64s, Int64s

LAG_RANGE_DEG = 3.0
LAG_LEAST_RANGE_DEG = 1.0
"""Backlash and wind-up, at any speed."""
LAG_LONGEST_S = 0.03
"""Filters delay by less: at a slow turn a lag of degrees is backlash, which a pattern of friction can feign."""
LAG_STEPS_PER_PERIOD = 12
"""Steps of the scan in a period of the highest order that votes; each maximum is polished before they are compared."""
LAG_VOTERS = 48
"""Orders that vote at most, the strongest first."""
LAG_GATE = 14.0
"""The directions together must hold an order with this many times the variance for it to vote: noise does 1 time in 80 000. When each
had to hold it, half of the orders of a weak pattern had no vote by chance, and those left did not see that they were too few."""
ROUNDING = 1e-9
LAG_SIGNIFICANCE = 4.0
"""The best alignment must beat another by this many standard deviations to rule it out."""
LAG_LIKELY = 2.0
"""Alignments that the best leads by less are as good as it: of them the smallest lag is taken."""
LAG_RIVALS = 16
"""Other alignments kept, the best first."""


@dataclass(frozen=True, slots=True)
class Lag:
    """Angle by which torque is sampled late, either way; ambiguous when another alignment fits as well.

    `rivals` are those other alignments, rad, the best first; none are named when the best lies at the end of the range. `u_rad` is
    the standard uncertainty of `rad` from the noise of the orders that voted.
    """

    rad: float
    ambiguous: bool
    rivals: tuple[float, ...] = ()
    u_rad: float = 0.0

    @property
    def known_to_rad(self) -> float:
        """The standard uncertainty with the other alignments, which are as likely: even between the furthest of them."""
        furthest = max((abs(rival - self.rad) for rival in self.rivals), default=0.0)
        return float(np.hypot(self.u_rad, furthest / np.sqrt(3.0)))


@dataclass(frozen=True, slots=True)
class _Votes:
    """The voting orders: F conj(B) of each and the variance of its projection on any direction."""

    orders: Int64s
    product: Complex128s
    noise: Float64s


def lag_range(turns: Turns) -> float:
    """How far the lag of a pass at this speed usually is at most, rad."""
    seen = turns.n > 0
    times = turns.time_s[seen]
    took = float(np.ptp(times))
    degrees = 360.0 * float(seen.sum()) / turns.bins / took * LAG_LONGEST_S if took > 0 else 0.0
    return float(np.radians(min(max(degrees, LAG_LEAST_RANGE_DEG), LAG_RANGE_DEG)))


def find_lag(
    forward: Complex128s,
    backward: Complex128s,
    forward_variance: Float64s,
    backward_variance: Float64s,
    declared: frozenset[int],
    family: frozenset[int] = frozenset(),
    reach: float = np.radians(LAG_RANGE_DEG),
) -> Lag:
    """The lag that aligns both directions best: the maximum of Σ Re(F conj(B) e^{2jnl}) within ±`reach` (rad).

    Beyond it, up to 3 degrees, only where that makes orders real that are not so within.
    The declared orders vote first, because the machine makes them alike in both directions. A pattern of friction
    changes sign with the direction and votes for the wrong lag: a bearing's spall does, at orders of its own. Where the
    declared ones leave the lag open, because they are few and multiples of one another, those of the family decide, which
    may each be too weak to stand out; and where these leave it open as well, all orders.
    """
    # Written so that without noise nothing is divided.
    held = np.abs(forward) ** 2 * backward_variance + np.abs(backward) ** 2 * forward_variance
    strong = held > LAG_GATE * forward_variance * backward_variance
    strong[0] = False
    if not strong.any():
        return Lag(0.0, ambiguous=False)
    known, weak = np.zeros_like(strong), np.zeros_like(strong)
    known[[n for n in declared if n < len(strong)]] = True
    weak[[n for n in declared | family if 0 < n < len(strong)]] = True
    everyone = _votes(strong, forward, backward, forward_variance, backward_variance)
    if not (strong & known).any():
        return _within(everyone, reach)
    found = _within(_votes(strong & known, forward, backward, forward_variance, backward_variance), reach)
    if not found.rivals:
        return found
    family_votes = _votes(weak, forward, backward, forward_variance, backward_variance, len(strong))
    likely = _settled(found, family_votes, np.where(strong[family_votes.orders], 0.0, -np.inf))
    if not likely.rivals:
        return likely
    # At the true lag an order of cogging is real and positive, one of friction real and negative.
    last = _settled(found, everyone, np.full(len(everyone.orders), np.nan))
    return likely if last.rivals else last


def _within(votes: _Votes, reach: float) -> Lag:
    """The lag within `reach`; one further away only where it makes orders real, of either sign, that are not so there."""
    near = _voted(votes, reach)
    limit = float(np.radians(LAG_RANGE_DEG))
    if reach >= limit:
        return near
    far = _voted(votes, limit)
    if abs(far.rad) <= reach or not far.rad:
        return near
    sizes = np.abs((votes.product * np.exp(2j * np.array([[far.rad], [near.rad]]) * votes.orders)).real).sum(
        1
    )
    lead = _leads(votes, far.rad, np.array([near.rad]), sizes[1:], float(sizes[0]))
    return far if float(lead[0]) >= LAG_SIGNIFICANCE else near


def _settled(found: Lag, votes: _Votes, least: Float64s) -> Lag:
    """Which of the alignments that fit the declared orders fits these: a vote counts no less than `least`, its size for NaN."""
    lags = np.array([found.rad, *found.rivals])
    turned = (votes.product * np.exp(2j * lags[:, None] * votes.orders)).real
    counted = np.where(
        np.isnan(least), np.abs(turned), np.maximum(turned, np.where(np.isnan(least), 0.0, least))
    )
    sizes = counted.sum(1)
    best = int(sizes.argmax())
    chosen = _chosen(lags, _leads(votes, float(lags[best]), lags, sizes, float(sizes[best])), -sizes)
    return replace(chosen, u_rad=found.u_rad)


def _chosen(lags: Float64s, leads: Float64s, order: Float64s) -> Lag:
    """The smallest lag of those as good as the best; the others that are not ruled out are its rivals."""
    good = np.flatnonzero(leads < LAG_LIKELY)
    chosen = int(good[np.abs(lags[good]).argmin()])
    ranked = np.argsort(order, kind="stable").tolist()
    rivals = tuple(float(lags[k]) for k in ranked if k != chosen and leads[k] < LAG_SIGNIFICANCE)
    return Lag(float(lags[chosen]), ambiguous=bool(rivals), rivals=rivals[:LAG_RIVALS])


def _leads(votes: _Votes, lag: float, others: Float64s, sizes: Float64s, top: float) -> Float64s:
    """By how many standard deviations, from the noise of the orders, one alignment leads others (n,)."""
    # |e^{2ix} - 1|² = 4 sin² x
    apart = 4.0 * np.sin(votes.orders * (lag - others[:, None])) ** 2
    sd = np.maximum(np.sqrt((apart * votes.noise).sum(1)), ROUNDING * abs(top))
    return np.asarray(np.divide(top - sizes, sd, out=np.zeros_like(sd), where=sd > 0), np.float64)


def _votes(
    vote: Bools,
    forward: Complex128s,
    backward: Complex128s,
    forward_variance: Float64s,
    backward_variance: Float64s,
    most: int = LAG_VOTERS,
) -> _Votes:
    """The strongest of the voting orders."""
    product = forward * np.conj(backward)
    orders = np.flatnonzero(vote)
    if len(orders) > most:
        orders = np.sort(orders[np.argsort(-np.abs(product[orders]), kind="stable")[:most]])
    noise = (
        np.abs(backward[orders]) ** 2 * forward_variance[orders]
        + np.abs(forward[orders]) ** 2 * backward_variance[orders]
    ) / 2
    return _Votes(orders, product[orders], noise)


def _voted(votes: _Votes, reach: float) -> Lag:
    """The lag for which these orders vote.

    Ambiguous when the maximum lies at the edge, or does not beat every other by five standard deviations of their
    difference as it follows from the noise of the orders.
    """
    steps = int(np.ceil(LAG_STEPS_PER_PERIOD * 2 * votes.orders.max() * reach / (2 * np.pi))) + 4
    grid = np.linspace(-reach, reach, 2 * steps + 1)
    score = _score(votes, grid)
    inner = np.flatnonzero((score[1:-1] > score[:-2]) & (score[1:-1] >= score[2:])) + 1
    if len(inner) == 0:
        return Lag(0.0, ambiguous=True)
    # Far apart maxima may differ by a thousandth, less than the scan misses a maximum by: polish first, then compare.
    lags = _newton(votes, grid[inner], float(grid[1] - grid[0]))
    turned = (votes.product * np.exp(2j * lags[:, None] * votes.orders)).real
    tops = np.maximum(turned, 0.0).sum(1)
    ranked = np.argsort(-tops, kind="stable")
    best = int(ranked[0])
    if max(score[0], score[-1]) >= tops[best]:
        return Lag(float(lags[best]), ambiguous=True)
    # An order of friction is real and negative at the true lag, and tells it from another as well as one of cogging.
    sizes = np.abs(turned).sum(1)
    against = np.minimum(tops, sizes - sizes[best] + tops[best])
    chosen = _chosen(lags, _leads(votes, float(lags[best]), lags, against, float(tops[best])), -tops)
    return replace(chosen, u_rad=_u_rad(votes, chosen.rad))


def _u_rad(votes: _Votes, lag: float) -> float:
    """Standard uncertainty of the lag at which Σ Re(x e^{2jnl}) is largest, from the noise across each of its terms."""
    turned = (votes.product * np.exp(2j * lag * votes.orders)).real
    weight = np.where(turned > 0, (2 * votes.orders) ** 2, 0)
    bend = float(weight @ turned)
    return float(np.sqrt(weight @ votes.noise)) / bend if bend > 0 else 0.0


def _score(votes: _Votes, grid: Float64s) -> Float64s:
    """Σ of the positive Re(x e^{2jnl}) at every lag of an even grid."""
    turning = np.exp(2j * (grid[1] - grid[0]) * votes.orders)
    rows = np.empty((len(grid), len(votes.orders)), np.complex128)
    rows[0] = np.exp(2j * grid[0] * votes.orders) * votes.product
    rows[1:] = turning
    return np.asarray(np.maximum(np.cumprod(rows, axis=0).real, 0.0).sum(axis=1), np.float64)


def _newton(votes: _Votes, starts: Float64s, step: float) -> Float64s:
    """Polish maxima of Σ Re(x e^{2jnl}) over the orders that agree with each; none moves further than `step`."""
    orders = votes.orders
    agreeing = (votes.product * np.exp(2j * starts[:, None] * orders)).real > 0
    lags = starts
    for _ in range(4):
        terms = np.where(agreeing, votes.product * np.exp(2j * lags[:, None] * orders), 0.0)
        slope = (-2 * orders * terms.imag).sum(1)
        bend = (-4 * orders**2 * terms.real).sum(1)
        move = np.divide(-slope, bend, out=np.zeros_like(lags), where=bend < 0)
        lags = np.clip(lags + move, starts - step, starts + step)
    return lags
