"""Figures and cycles."""

import msgspec

from nightturn.model.verdicts import NOT_JUDGED

OK = "ok"
INCOMPLETE = "incomplete"
REFUSED = "refused"


class Figure(msgspec.Struct, frozen=True):
    """One figure of one cycle.

    `u` is the standard uncertainty and `nu` its degrees of freedom, both from the figure's own scatter; absent
    when there is no scatter to take them from. `n` counts the revolutions used. `status` is `ok`,
    `incomplete`, `refused` or `not judged`; `reasons` are sentences for a person.
    """

    name: str
    value: float | None
    u: float | None = None
    nu: float | None = None
    status: str = OK
    n: int = 0
    method: int = 1
    reasons: tuple[str, ...] = ()


class CycleRecord(msgspec.Struct, frozen=True):
    """One cycle: who and where, and its figures.

    `orders` is the order table of the hold ripple and `cogging_orders` of the cogging: (order, amplitude
    peak N·m, phase rad, standard uncertainty N·m). `limit_words` are met, missed, undecided or not judged for each limit
    of the variant, in its order. `sums_sha256` is over the integer sums, identical on every machine.
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

    def figure(self, name: str) -> Figure:
        """The figure of that name.

        Raises:
            KeyError: no such figure.
        """
        for figure in self.figures:
            if figure.name == name:
                return figure
        raise KeyError(name)
