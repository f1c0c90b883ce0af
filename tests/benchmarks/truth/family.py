"""What a family of signals is: how one is drawn, against which truth it is judged, and what is expected of each figure."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from zlib import crc32

import numpy as np
from tests.benchmarks.truth.closed_form import Samples, Truth, record, truth_of
from tests.benchmarks.truth.judging import FIELDS, FIGURES, Judged, by_arrays, by_stream, judged, naive_of
from tests.benchmarks.truth.signals import Signal

VALUE, REFUSE, EITHER, SELDOM, ANY = "value", "refuse", "either", "seldom", "any"
ALL = tuple(FIGURES)
PEAKS = ("ripple_pp", "cogging_pp")
HELD = ("ripple_pp", "ripple_rms", "mean_torque")
TURNED = ("cogging_pp", "friction", "zero")
SPEEDS = ("coulomb", "viscous")
STARTS = ("breakaway",)
WHITE_NM = (0.0005, 0.006, 0.040)

Draw = Callable[[np.random.Generator, float], Signal]


def expecting(base: str = VALUE, **kinds: tuple[str, ...]) -> dict[str, str]:
    """One kind for every figure, and another for some: `expecting(VALUE, refuse=("ripple_pp",))`.

    Without strokes there is no second speed, and no start slow enough: those figures are to be refused unless they are named.
    """
    usual = {**dict.fromkeys(ALL, base), **dict.fromkeys((*SPEEDS, *STARTS), REFUSE)}
    return {name: next((kind for kind, some in kinds.items() if name in some), usual[name]) for name in ALL}


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """A kind of signal.

    Attributes:
        draw: (random generator, white noise rms N·m) -> a signal; systematic errors are drawn in it.
        expect: figure -> value (a value in bounds), refuse (must not be ok), either (a value in bounds, if there is one), seldom
            (the same, and hardly a cycle gets one) or any (printed only: what the figure is of is a matter of definition there).
        rotor: held to the rotor's figures instead of the transducer's.
        known: fields of `Conditions` that the product is given: from the signal it must be able to correct.
        arrays: through `smoothness` on plain arrays instead of the stream of a fixture.
        cycles: cycles of one machine one after the other; the last is judged.
        white_nm: levels of white noise, rms N·m.
        lost: noise rms N·m -> figures of which hardly a cycle gets a value there, for the reason in the family's comment: an
            estimator that begins to give them has to earn a value in that place.
        valued: share of cycles that must get a value, where a value is expected.
        refused_most: share of cycles that may get none, where either is expected.
        limit: what can be had at best where not all cycles get a value, as DEVELOPERS.md derives it; printed below the table.
        defect_in: figures that must name a local deviation, while the other peak-to-peaks must not; None looks at none.
        long_seeds: seeds in the long form.
        recorded: how a signal becomes samples. truth: what a perfect measurement of it would give.
    """

    name: str
    draw: Draw
    expect: dict[str, str] = field(default_factory=expecting)
    rotor: bool = False
    known: Callable[[Signal], dict[str, object]] = lambda made: {}  # noqa: ARG005 - nothing is known of any signal
    arrays: bool = False
    cycles: int = 1
    white_nm: tuple[float, ...] = WHITE_NM
    lost: Mapping[float, tuple[str, ...]] = field(default_factory=dict)
    valued: float = 0.8
    refused_most: float = 1.0
    limit: str = ""
    defect_in: tuple[str, ...] | None = None
    long_seeds: int = 400
    recorded: Callable[[Signal, np.random.Generator], Samples] = record
    truth: Callable[..., Truth] = truth_of

    def expected(self, figure: str, white_nm: float) -> str:
        """What is expected of a figure at a noise."""
        return SELDOM if figure in self.lost.get(white_nm, ()) else self.expect[figure]

    def least(self, figure: str, white_nm: float) -> float:
        """Share of the cycles that must get a value of this figure."""
        return {VALUE: self.valued, EITHER: 1.0 - self.refused_most}.get(self.expected(figure, white_nm), 0.0)

    def names_deviation(self, figure: str) -> bool | None:
        """Whether this figure must name a local deviation, or must not; None where nobody looks."""
        return None if self.defect_in is None or figure not in PEAKS else figure in self.defect_in

    def lacking(self) -> tuple[str, ...]:
        """Fields of `known` that the product has no place for yet."""
        given = self.known(self.draw(np.random.default_rng(0), self.white_nm[0]))
        return tuple(name for name in given if name not in FIELDS)

    def seed(self, white_nm: float, number: int) -> np.random.Generator:
        """The generator of one cycle: the same for the same family, noise and number on every machine."""
        return np.random.default_rng([crc32(self.name.encode()), round(white_nm * 1e7), number])

    def cycle(self, white_nm: float, number: int) -> dict[str, Judged]:
        """One cycle, drawn, recorded, estimated and held against its truth."""
        rng = self.seed(white_nm, number)
        made = self.draw(rng, white_nm)
        samples = [self.recorded(made, rng) for _ in range(self.cycles)]
        found = by_arrays(samples[-1]) if self.arrays else by_stream(samples, **self.known(made))
        return judged(found, self.truth(made, rotor=self.rotor), naive_of(samples[-1]))
