"""The figures on signals whose truth is known, made apart from the product: bounds that hold today, fixed seeds, seconds.

`tests/benchmarks/truth` has the families, all of them, and prints the table: `python -m tests.benchmarks.truth`.
"""

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.benchmarks.truth.__main__ import limits_of, main
from tests.benchmarks.truth.families import BY_NAME, FAMILIES, NEAR_AN_ORDER, PATTERN
from tests.benchmarks.truth.family import (
    ALL,
    ANY,
    EITHER,
    HELD,
    PEAKS,
    REFUSE,
    SELDOM,
    TURNED,
    VALUE,
    Family,
    expecting,
)
from tests.benchmarks.truth.judging import Judged
from tests.benchmarks.truth.tally import Line, coverage_band, line_of, silent_most

CYCLES = 12

# Family, white noise rms N·m, figures, cycles. Whoever makes an estimator hold in a further family, or a further figure of
# one, adds it here; nothing is taken out.
FAMILIES_HELD: tuple[tuple[str, float, tuple[str, ...], int], ...] = (
    ("base", 0.0005, ALL, CYCLES),
    ("base", 0.006, ALL, CYCLES),
    ("base", 0.040, ALL, CYCLES),
    ("sense declared reversed", 0.006, ALL, CYCLES),
    ("16 pole pairs 36 slots", 0.006, ALL, CYCLES),
    ("1/f 3 mN·m", 0.006, ALL, CYCLES),
    ("undeclared orders", 0.006, ALL, CYCLES),
    ("eccentric encoder 5 mrad", 0.040, PATTERN, CYCLES),
    ("magnets and slots ±1 %", 0.006, ALL, CYCLES),
    ("friction over angle", 0.006, ALL, CYCLES),
    ("drive orders", 0.006, ALL, CYCLES),
    ("rig 1x 5 mN·m", 0.006, ALL, CYCLES),
    ("rig 1x 5 mN·m known", 0.006, ALL, CYCLES),
    ("drive orders known", 0.006, ALL, CYCLES),
    ("low pass 20 Hz known", 0.006, ALL, CYCLES),
    ("lag 0.2°", 0.006, ALL, CYCLES),
    ("single samples lost", 0.006, ALL, CYCLES),
    ("soft coupling 45 Hz", 0.006, ALL, CYCLES),
    ("LuGre ODE", 0.006, ALL, CYCLES),
    ("arrays", 0.006, ALL, CYCLES),
    ("arrays milliseconds", 0.006, ALL, CYCLES),
    ("less than a turn", 0.006, ALL, CYCLES),
    ("gap of 25 s in a pass", 0.006, ALL, CYCLES),
    ("drift 20 mN·m", 0.006, (*PATTERN, "friction", "zero"), CYCLES),
    ("zero step 10 mN·m", 0.006, (*PATTERN, "friction"), CYCLES),
    ("zero step 0.5 mN·m", 0.006, (*PATTERN, "friction", "zero"), CYCLES),
    ("1/f 3 mN·m ten turns", 0.006, ALL, CYCLES),
    ("LuGre ODE soft coupling", 0.0005, (*PATTERN, "friction", "mean_torque"), CYCLES),
    ("bearing order 7.132", 0.006, ALL, CYCLES),
    ("weak orders", 0.040, ("ripple_rms", "cogging_pp", "friction", "zero", "mean_torque"), CYCLES),
    ("hum 250 Hz on order 672", 0.0005, PATTERN, CYCLES),
    ("bend 5 mN·m", 0.0005, (*PATTERN, "friction", "zero", "mean_torque"), CYCLES),
    ("drift 20 mN·m", 0.0005, ("zero",), CYCLES),
    ("magnets and slots ±3 %", 0.0005, ("ripple_pp", "cogging_pp"), CYCLES),
    ("defect 20 mN·m x 1° slow", 0.006, PEAKS, CYCLES),
    ("defect 20 mN·m x 1° hold", 0.006, PEAKS, CYCLES),
    ("clipped crest", 0.006, TURNED, CYCLES),
    ("20 rpm at 1 kHz", 0.006, ("friction", "zero"), CYCLES),
    ("volts as N·m", 0.006, ALL, CYCLES),
    ("dead channel", 0.006, HELD, CYCLES),
)


@pytest.mark.parametrize(
    ("name", "white_nm", "figures", "cycles"),
    FAMILIES_HELD,
    ids=[f"{name} {1e3 * white_nm:g} mN·m" for name, white_nm, *_ in FAMILIES_HELD],
)
def test_a_family_is_within_its_bounds(
    name: str, white_nm: float, figures: tuple[str, ...], cycles: int
) -> None:
    family = BY_NAME[name]
    made = [family.cycle(white_nm, number) for number in range(cycles)]
    lines = [line_of(family, white_nm, figure, [cycle[figure] for cycle in made]) for figure in figures]

    assert not [(line.figure, line.broken, line) for line in lines if line.broken]


def test_what_is_held_is_there() -> None:
    named = [(name, white_nm) for name, white_nm, *_ in FAMILIES_HELD]

    assert len(set(named)) == len(named)
    for name, white_nm, figures, cycles in FAMILIES_HELD:
        assert white_nm in BY_NAME[name].white_nm
        assert set(figures) <= set(ALL)
        assert cycles >= CYCLES
        assert BY_NAME[name].lacking() == ()


def test_the_command_prints_a_line_for_each_figure_and_fails_where_a_bound_is_broken(
    capsys: pytest.CaptureFixture[str],
) -> None:
    code = main(["--families", "dead channel", "--seeds", "1", "--jobs", "1", "--json"])
    printed = capsys.readouterr()
    lines = json.loads(printed.out)["lines"]
    broken = [line for line in lines if line["broken"]]

    assert [line["figure"] for line in lines[: len(ALL)]] == list(ALL)
    assert {line["family"] for line in lines} == {"dead channel"}
    assert len(lines) == len(ALL) * len(BY_NAME["dead channel"].white_nm)
    assert code == (1 if broken else 0)
    assert len(printed.err.splitlines()) == len(broken)


def test_a_broken_bound_is_named_and_makes_the_exit_code_1(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    expect = expecting(REFUSE, value=("friction",))
    asked = replace(BY_NAME["dead channel"], expect=expect, white_nm=(0.006,), valued=1.0)
    monkeypatch.setitem(BY_NAME, "dead channel", asked)

    assert main(["--families", "dead channel", "--seeds", "1", "--jobs", "1", "--table"]) == 1
    assert capsys.readouterr().err == "dead channel, 6 mN·m, friction: refused\n"


def test_the_command_names_what_it_cannot_run_and_rejects_a_name_that_no_family_has(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["--list"]) == 0
    assert capsys.readouterr().out.splitlines() == [family.name for family in FAMILIES]
    with pytest.raises(SystemExit, match="no family has the name nothing like it"):
        main(["--families", "nothing like it"])


# What the bounds themselves are worth: values made up here, of which it is known whether they are good.


def values(
    n: int,
    *,
    bias: float = 0.0,
    ok: bool = True,
    scatter: float = 0.001,
    u: float = 0.001,
    named: bool = False,
) -> list[Judged]:
    """Normal errors of this bias and scatter, with intervals for this u."""
    errors = bias + scatter * np.random.default_rng(7).standard_normal(n)
    return [
        Judged(
            ok,
            float(error),
            bool(abs(error) <= 1.96 * u) if ok else None,
            bool(ok and abs(error) > 0.02 and abs(error) > 3.29 * u),
            0.5,
            1.96 * u,
            deviation=named,
        )
        for error in errors
    ]


def line(kind: str, cycles: list[Judged], family: Family = BY_NAME["base"]) -> Line:
    return line_of(replace(family, expect=expecting(kind)), 0.006, "ripple_pp", cycles)


@pytest.mark.parametrize("n", [12, 40, 400])
def test_good_values_break_no_bound(n: int) -> None:
    assert line(VALUE, values(n)).broken == ()
    assert line(EITHER, values(n)).broken == ()
    assert line(EITHER, values(n, ok=False)).broken == ()
    assert line(REFUSE, values(n, ok=False)).broken == ()
    assert line(ANY, values(n, bias=0.5, u=1e-6)).broken == ()


@pytest.mark.parametrize("n", [12, 40, 400])
def test_bad_values_break_theirs(n: int) -> None:
    assert line(VALUE, values(n, ok=False)).broken == ("refused",)
    assert line(REFUSE, values(n)).broken == ("not refused",)
    assert "bias" in line(EITHER, values(n, bias=0.013)).broken
    assert "silent" in line(REFUSE, values(n, bias=0.05)).broken
    assert "coverage" in line(VALUE, values(n, u=0.0002)).broken
    assert line(VALUE, values(n, named=True)).broken == ("false defect",)
    assert line(VALUE, values(n), replace(BY_NAME["base"], defect_in=PEAKS)).broken == ("defect missed",)


def test_what_cannot_be_had_at_a_noise_must_have_no_value_there_and_one_everywhere_else() -> None:
    family = replace(BY_NAME["base"], expect=expecting(VALUE), lost={0.040: ("ripple_pp",)})
    none = values(40, ok=False)

    assert line_of(family, 0.040, "ripple_pp", none).broken == ()
    assert line_of(family, 0.006, "ripple_pp", none).broken == ("refused",)
    assert line_of(family, 0.040, "cogging_pp", none).broken == ("refused",)
    assert line_of(family, 0.040, "ripple_pp", values(1) + none).broken == ()
    assert line_of(family, 0.040, "ripple_pp", values(40)).broken == ("too often",)
    assert "silent" in line_of(family, 0.040, "ripple_pp", values(2, bias=0.05) + none).broken


def test_where_either_is_expected_the_share_refused_has_a_bound_of_its_own() -> None:
    family = replace(BY_NAME["base"], refused_most=0.3)
    some = values(28) + values(12, ok=False)

    assert line(EITHER, some, family).broken == ()
    assert line(EITHER, values(8) + values(32, ok=False), family).broken == ("refused",)
    assert line(REFUSE, values(40, ok=False), family).broken == ()


def test_a_derived_limit_stands_below_the_table_beside_what_was_refused() -> None:
    hum, base = BY_NAME["hum 250 Hz on order 672"], BY_NAME["base"]
    some = values(30) + values(10, ok=False)
    lines = [line_of(family, 0.040, "ripple_pp", some) for family in (hum, base)]

    (said,) = limits_of(lines)
    assert said == (
        f"hum 250 Hz on order 672, 40 mN·m, ripple_pp: refused 25 %, bound at most 30 %; derived: {NEAR_AN_ORDER}"
    )
    assert list(limits_of([line_of(hum, 0.040, "ripple_pp", values(40))])) == []


def test_intervals_that_are_too_wide_are_a_fault_once_there_are_many() -> None:
    assert line(VALUE, values(400, u=0.005)).broken == ("coverage",)
    assert line(VALUE, values(40, u=0.005)).broken == ()


def test_the_bounds_are_those_of_the_binomial_distribution() -> None:
    """Tail probabilities by hand: (1 - 0.001)^12 = 0.98807; with one of 0.011861 more P(k <= 1) = 0.99993."""
    assert silent_most(12) == 1
    assert silent_most(1) == 0
    assert silent_most(400) == 3  # P(k <= 2) = 0.99215, P(k <= 3) = 0.99922
    assert coverage_band(200) == (0.90, 0.99)
    low, high = coverage_band(12)
    assert high == 1.0
    assert low == 6 / 12  # of .90: P(k <= 5) = 0.00005, P(k <= 6) = 0.00054


def test_every_kind_of_trouble_of_the_audit_is_among_the_families() -> None:
    kinds = {kind for family in FAMILIES for kind in family.expect.values()}

    assert kinds == {VALUE, REFUSE, EITHER, SELDOM, ANY}
    assert len(FAMILIES) >= 55
    assert all(family.expect[name] != VALUE for name in HELD for family in (BY_NAME["clipped crest"],))
    assert BY_NAME["magnets and slots ±3 %"].expect == expecting(VALUE)
