"""What `nightturn.smoothness` gives back: a sequence, a table on 80 columns, a frame; and README's example of it."""

import math
import re

import numpy as np
import pytest
from tests.replay.made_up import UNMEASURED, Triple, cycle, figures, repeated
from tests.screens import code_examples, run_code, same_but_for_rounding

from nightturn.estimation.figures import FIGURES
from nightturn.replay.smooth_cycles import COLUMNS, SmoothCycles


@pytest.fixture(scope="module")
def arrays() -> Triple:
    return cycle()


def test_cycles_are_a_sequence(arrays: Triple) -> None:
    found = figures(repeated(arrays, 3))
    assert len(found) == 3
    assert [record.cycle_no for record in found] == [1, 2, 3]
    assert found[-1] is found[2]
    assert [record.cycle_no for record in found[1:]] == [2, 3]
    assert found[0] in found


def test_it_prints_as_a_table_with_every_figure_its_interval_and_its_status(arrays: Triple) -> None:
    lines = str(figures(arrays, pole_pairs=None)).splitlines()
    assert lines[0] == "cycle 1: ok, slow passes at 10 rpm, holding 5 N·m"
    first = next(at for at, line in enumerate(lines) if line.startswith("note: "))
    rows = {line.split()[0]: line for line in lines[1:first] if not line.startswith("    ")}
    assert list(rows) == list(FIGURES)
    for name, line in rows.items():
        if name in UNMEASURED:
            assert re.fullmatch(rf"  {name} +not known \(refused\)", line)
        else:
            known = r"[\d.]+ ± [\d.]+ (N·m|mN·m|%) \(repeatability\), \d turns, ok"
            assert re.fullmatch(rf"  {name} +{known}", line)
    assert lines[first : first + 2] == [
        "note: pole pairs are not given: orders are found in the signal, and a weak one",
        "  may be missed",
    ]
    assert repr(figures(arrays)) == str(figures(arrays))


def test_no_line_is_wider_than_a_terminal(arrays: Triple) -> None:
    time, angle, torque = arrays
    kept = np.random.default_rng(1).random(len(time)) > 0.01
    texts = [
        str(figures((time[kept] * 1.0, angle[kept] % (2 * np.pi), torque[kept]), slots=None)),
        str(figures((time[:20_000], angle[:20_000], torque[:20_000]))),
        str(figures(cycle(hold_nm=0.0))),
        str(figures(cycle(ways=(1, 1), strokes=0))),
    ]
    assert max(len(line) for text in texts for line in text.splitlines()) <= COLUMNS


def test_what_is_not_known_says_why() -> None:
    text = str(figures(cycle(hold_nm=0.0)))
    assert re.search(
        r"^  ripple_pp_nm +not known \(refused\)\n    The plan has no hold\.\n", text, re.MULTILINE
    )


def test_its_frame_has_a_row_a_cycle_and_the_columns_of_a_run(arrays: Triple) -> None:
    found = figures(repeated(arrays, 2))
    frame = found.frame()
    assert frame.cycle_no.tolist() == [1, 2]
    for name in FIGURES:
        values = [record.figure(name).value for record in found]
        assert [None if math.isnan(each) else each for each in frame[name].tolist()] == values
        assert {f"{name}{end}" for end in ("_u", "_nu", "_n_rev", "_status", "_reasons")} <= {*frame.columns}


def test_no_cycles_print_as_nothing_but_their_notes() -> None:
    assert str(SmoothCycles((), ("a note",))) == "note: a note"


def test_the_example_of_the_readme_prints_what_stands_below_it() -> None:
    ((code, shown),) = code_examples()
    assert "nightturn.smoothness(" in code
    printed = run_code(code)
    assert same_but_for_rounding(printed, shown), printed


@pytest.mark.parametrize(
    ("other", "same"),
    [
        ("0.34 mN·m, ok", True),
        ("0.41 mN·m, ok", False),
        ("0.35 mN·m, not judged", False),
        ("0.35 mN·m, 1 ok", False),
    ],
)
def test_an_example_may_differ_in_the_last_digit_and_in_no_word(other: str, same: bool) -> None:
    assert same_but_for_rounding("0.35 mN·m, ok", other) is same
