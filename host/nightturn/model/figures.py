"""Figures and cycles."""

import msgspec

from nightturn.model.verdicts import NOT_JUDGED

OK = "ok"
INCOMPLETE = "incomplete"
REFUSED = "refused"

BUDGET = "budget"
REPEATABILITY = "repeatability"
NU_MANY = 1e6
"""Degrees of freedom of what is known so well that more make no difference."""
INTERVAL_IS = {BUDGET: "± is of the whole budget", REPEATABILITY: "± is repeatability"}
"""What is said beside every ±."""


class BudgetLine(msgspec.Struct, frozen=True):
    """One line of an uncertainty budget (JCGM 100:2008), as a contribution to one figure in its unit.

    Attributes:
        name: what it comes from, in a word of the trade.
        u: standard uncertainty that it contributes; nu: its degrees of freedom.
        common: alike in all cycles of a run, so that no number of cycles makes it smaller.
        source: where it is known from, in words.
    """

    name: str
    u: float
    nu: float
    common: bool
    source: str


class Figure(msgspec.Struct, frozen=True):
    """One figure of one cycle.

    `u` is the standard uncertainty and `nu` its degrees of freedom; absent when there is no scatter to take them from.
    `n` counts the revolutions used. `status` is `ok`, `incomplete`, `refused` or `not judged`; `reasons` are sentences
    for a person.

    Attributes:
        u_rep, nu_rep: the cycle's own part of `u`, from its scatter.
        u_common: the part of `u` that all cycles of a run share.
        kind: what `u` holds: the whole `budget`, or `repeatability` where the calibration record carries no certificate data.
        measurand: what it is a figure of, in words.
        band: lowest and highest order that it contains; None where orders mean nothing to it.
        unseen: declared orders that it could not see.
        budget: the lines that `u` is made of.
    """

    name: str
    value: float | None
    u: float | None = None
    nu: float | None = None
    status: str = OK
    n: int = 0
    method: int = 1
    reasons: tuple[str, ...] = ()
    u_rep: float | None = None
    nu_rep: float | None = None
    u_common: float = 0.0
    kind: str = REPEATABILITY
    measurand: str = ""
    band: tuple[int, int] | None = None
    unseen: tuple[int, ...] = ()
    budget: tuple[BudgetLine, ...] = ()


class Line(msgspec.Struct, frozen=True):
    """An order that is no whole number, found in a phase and told apart from the rotor's: its peak, mean over the passes."""

    phase: str
    order: float
    amplitude_nm: float


class Defect(msgspec.Struct, frozen=True):
    """A deviation at one angle that repeats every turn, seen with a figure: where, how wide, how high (signed)."""

    figure: str
    angle_deg: float
    width_deg: float
    height_nm: float


class Symptoms(msgspec.Struct, frozen=True):
    """What a cycle shows beside its figures, whose course speaks for causes.

    `railed` are samples of the measuring passes at the end of the range, `jumps` steps between neighbours that no shaft makes.
    """

    lines: tuple[Line, ...] = ()
    defects: tuple[Defect, ...] = ()
    railed: int = 0
    jumps: int = 0


class Curve(msgspec.Struct, frozen=True):
    """Torque over one turn of those passes of a cycle that turned one way. Arrays are packed as float32, low byte first.

    Attributes:
        leg: `forward` and `back` unpowered, or `hold`.
        direction: sense of turning, +1 as declared positive.
        turns: whole turns that it is the mean of.
        torque_nm: (points,) from angle zero on, evenly, without the drift of the cycle; not a number where no sample was.
        amplitude_nm: (orders,) peak amplitude of the orders 1, 2, ...; empty where the turn has a hole.
        floor_nm: (orders,) the rms amplitude that the scatter from turn to turn alone has in the mean; empty with one turn.
    """

    leg: str
    direction: int
    turns: int
    torque_nm: bytes
    amplitude_nm: bytes
    floor_nm: bytes


class CycleRecord(msgspec.Struct, frozen=True):
    """One cycle: who and where, and its figures.

    `orders` is the order table of the hold ripple and `cogging_orders` of the cogging: (order, amplitude
    peak N·m, phase rad, standard uncertainty N·m). `limit_words` are met, missed, undecided or not judged for each limit
    of the variant, in its order. `sums_sha256` is over the integer sums, identical on every machine. `origins` and
    `cogging_origins` say in words where each order of the two tables comes from. `symptoms` is None, and
    there are no `curves`, where an earlier version made the record. `purpose` is that of the run up to this cycle, empty where
    the cycle is of no run under way.
    """

    run: str
    epoch: int
    cycle_no: int
    status: str
    direction: int
    record_first: int
    record_last: int
    index_first: int
    index_last: int
    ts_start: int
    ts_end: int
    speed_rpm: float
    setpoint_nm: float
    coverage: float
    calibration_id: str
    config_digest: str
    sums_sha256: str
    fingerprint: str
    figures: tuple[Figure, ...]
    temperatures_degc: dict[str, float] = {}
    orders: tuple[tuple[int, float, float, float], ...] = ()
    cogging_orders: tuple[tuple[int, float, float, float], ...] = ()
    reasons: tuple[str, ...] = ()
    verdict: str = NOT_JUDGED
    verdict_reasons: tuple[str, ...] = ()
    limit_words: tuple[str, ...] = ()
    purpose: str = ""
    origins: tuple[str, ...] = ()
    cogging_origins: tuple[str, ...] = ()
    symptoms: Symptoms | None = None
    curves: tuple[Curve, ...] = ()

    @property
    def kind(self) -> str:
        """What the ± of its figures hold: the whole `budget` where all do, else `repeatability`."""
        return BUDGET if self.figures and all(each.kind == BUDGET for each in self.figures) else REPEATABILITY

    def figure(self, name: str) -> Figure:
        """The figure of that name.

        Raises:
            KeyError: no such figure.
        """
        for figure in self.figures:
            if figure.name == name:
                return figure
        raise KeyError(name)
