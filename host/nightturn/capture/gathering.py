"""A capture's columns, piece by piece, into arrays of a bounded size: checked, unwrapped, averaged where there are too many."""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from nightturn.capture.edges import Edges, Quadrature
from nightturn.errors import TableError
from nightturn.model.quantities import number

Float64s = npt.NDArray[np.float64]
KEPT_MAX = 1_500_000
"""Samples that are kept at once; a longer capture is averaged, and what is still too long is taken in parts."""
SPARE = 1.25
"""Times as many may be kept, because the rows of a text are only known about."""
RATE_KEPT_HZ = 500.0
"""Averaging goes down to this and no further: orders want samples."""
FULL_SHARE = 0.75
"""An average of fewer of its samples lies beside a gap and is left out."""
OVERFLOWS = (1 << 16, 1 << 32)
"""Counters that begin again from the other end."""
NEAR = 0.02
MIDNIGHT_S = 86_400.0
FIRST_STEPS = 1000


@dataclass(frozen=True, slots=True)
class Plan:
    """What a piece's columns are and how they become samples.

    Attributes:
        roles: of the columns, in their order.
        time_factor: s per unit of the time column; rate_hz: samples a second where there is none.
        period: what an angle's column falls back by after a turn, in its own unit.
        start_s, stop_s: what is looked at.
        rows: that are expected, about; kept_max: samples that are kept at once.
        levels: lowest and highest value of the columns that are edges, by role.
        stamps: whether the time is a time of day, which begins again at midnight.
    """

    roles: tuple[str, ...]
    time_factor: float
    rate_hz: float | None
    period: float | None
    start_s: float | None
    stop_s: float | None
    rows: int
    levels: dict[str, tuple[float, float]]
    kept_max: int = KEPT_MAX
    stamps: bool = False


@dataclass(frozen=True, slots=True)
class Gathered:
    """A capture, or a part of a long one, as arrays (n,) of one sample or average each.

    Attributes:
        torque: in the column's unit. channels: angle (in its column's unit, unwrapped), sine and cosine as they were.
        marks_s: times of the index pulses or of the sine's rising zeros.
        rows: read so far; missing: of them, left out because a value was missing; average: rows in a sample.
        skipped: steps of A and B at once, which nothing says the direction of.
    """

    time_s: Float64s
    torque: Float64s
    channels: dict[str, Float64s]
    marks_s: Float64s
    rows: int
    missing: int
    average: int
    skipped: int = 0


@dataclass(slots=True)
class Gatherer:
    """Takes a capture's pieces."""

    plan: Plan
    where: str
    rows: int = 0
    missing: int = 0
    _average: int = 1
    _kept: int = 0
    _parts: list[Float64s] = field(default_factory=list)
    _waiting: Float64s | None = None
    _wide: float = 0.0
    _origin: float = 0.0
    _last: float = -np.inf
    _day: float = 0.0
    _unwrapped: tuple[float, float] | None = None
    _edges: Edges | None = None
    _quadrature: Quadrature | None = None

    def __post_init__(self) -> None:
        levels = self.plan.levels
        mark = next((role for role in ("index", "sine") if role in levels), None)
        if mark is not None:
            self._edges = Edges(*levels[mark])
        if "a" in levels:
            self._quadrature = Quadrature(levels["a"], levels["b"])

    def take(self, values: Float64s, place_of: Callable[[int], str]) -> Gathered | None:
        """One piece (n, columns), `place_of` names a row of it; gives a part of a long capture when it is as large as may be kept.

        Raises:
            TableError: time does not rise.
        """
        numbers = self.rows + np.arange(len(values))
        self.rows += len(values)
        good = np.flatnonzero(~np.isnan(values).any(axis=1))
        self.missing += len(values) - len(good)
        values = values[good]
        time = self._times(values, numbers[good], good, place_of)
        inside = self._inside(time)
        if inside.any():
            columns = {role: values[inside, at] for at, role in enumerate(self.plan.roles)}
            self._add(time[inside], columns)
        return self._part() if self._kept >= SPARE * self.plan.kept_max else None

    def end(self) -> Gathered | None:
        """What is left when the file has ended; None where nothing is."""
        if self._waiting is not None:
            self._keep(self._waiting, last=True)
        return self._part() if self._kept else None

    def _part(self) -> Gathered:
        kept = [role for role in self.plan.roles if role in {"angle", "sine", "cosine"}]
        found = np.concatenate(self._parts)
        self._parts, self._kept = [], 0
        marks = [] if self._edges is None else self._edges.taken()
        names = [*kept, *(["angle"] if self._quadrature is not None else [])]
        return Gathered(
            time_s=found[:, 0],
            torque=found[:, 1],
            channels={name: found[:, 2 + at] for at, name in enumerate(names)},
            marks_s=np.array(marks),
            rows=self.rows,
            missing=self.missing,
            average=self._average,
            skipped=0 if self._quadrature is None else self._quadrature.skipped,
        )

    def _times(
        self,
        values: Float64s,
        numbers: npt.NDArray[np.int64],
        good: npt.NDArray[np.int64],
        place_of: Callable[[int], str],
    ) -> Float64s:
        if self.plan.rate_hz is not None:
            return numbers / self.plan.rate_hz
        time = values[:, self.plan.roles.index("time")] * self.plan.time_factor + self._day
        if self.plan.stamps:
            back = np.flatnonzero(np.diff(time, prepend=self._last) < -MIDNIGHT_S / 2)
            for at in back.tolist():
                time[at:] += MIDNIGHT_S
                self._day += MIDNIGHT_S
        steps = np.diff(time, prepend=self._last)
        bad = np.flatnonzero(steps <= 0)
        if len(bad):
            at = int(bad[0])
            before = float(time[at - 1]) if at else self._last
            still = "does not move on: it was saved with too few digits" if steps[at] == 0 else "falls back"
            raise TableError(
                f"{self.where}, {place_of(int(good[at]))}: time {still} ({number(before, 12)} s, then {number(float(time[at]), 12)} s); "
                "save more digits, or give --rate and no --time"
            )
        if len(time):
            self._last = float(time[-1])
        return time

    def _inside(self, time: Float64s) -> npt.NDArray[np.bool_]:
        inside = np.ones(len(time), np.bool_)
        if self.plan.start_s is not None:
            inside &= time >= self.plan.start_s
        if self.plan.stop_s is not None:
            inside &= time <= self.plan.stop_s
        return inside

    def _add(self, time: Float64s, columns: dict[str, Float64s]) -> None:
        kept: list[Float64s] = [time, columns["torque"]]
        for role in self.plan.roles:
            if role == "angle":
                kept.append(self._unwrap(columns["angle"]))
            elif role in {"sine", "cosine"}:
                kept.append(columns[role])
        if self._edges is not None:
            self._edges.take(time, columns["index" if "index" in columns else "sine"])
        if self._quadrature is not None:
            kept.append(self._quadrature.take(columns["a"], columns["b"]))
        self._keep(np.column_stack(kept), last=False)

    def _unwrap(self, angle: Float64s) -> Float64s:
        """The angle without falls of a turn or of a counter's overflow, going on from the piece before."""
        period = self.plan.period
        if period is None or not len(angle):
            return angle
        before, total = self._unwrapped or (float(angle[0]), float(angle[0]))
        steps = np.diff(angle, prepend=before)
        for size in OVERFLOWS:
            over = np.abs(np.abs(steps) - size) < NEAR * size
            steps[over] -= np.sign(steps[over]) * size
        large = np.abs(steps) > period / 2
        steps[large] -= np.rint(steps[large] / period) * period
        out = total + np.cumsum(steps)
        self._unwrapped = (float(angle[-1]), float(out[-1]))
        return np.asarray(out, np.float64)

    def _keep(self, rows: Float64s, *, last: bool) -> None:
        """Average rows that lie in one part of time; what may go on waits."""
        if not last and self._waiting is not None:
            rows, self._waiting = np.concatenate((self._waiting, rows)), None
        if not self._wide:
            if len(rows) < FIRST_STEPS and not last:
                self._waiting = rows
                return
            self._begin(rows)
        many = self._average
        if many == 1:
            self._store(rows)
            return
        part = np.floor((rows[:, 0] - self._origin) / self._wide)
        starts = np.concatenate(([0], np.flatnonzero(np.diff(part)) + 1))
        if not last:
            self._waiting = rows[starts[-1] :]
            rows, starts = rows[: starts[-1]], starts[:-1]
        if not len(starts):
            return
        counts = np.diff(np.append(starts, len(rows)))
        means = np.add.reduceat(rows, starts) / counts[:, None]
        self._store(means[counts >= FULL_SHARE * many])

    def _begin(self, rows: Float64s) -> None:
        """How many rows become a sample, by the first ones."""
        step = float(np.median(np.diff(rows[:FIRST_STEPS, 0]))) if len(rows) > 1 else 1.0
        wanted = -(-self.plan.rows // self.plan.kept_max)
        self._average = max(1, min(wanted, int(1 / step / RATE_KEPT_HZ)))
        self._wide, self._origin = self._average * step, float(rows[0, 0])

    def _store(self, rows: Float64s) -> None:
        self._parts.append(rows)
        self._kept += len(rows)
