"""Expectation and stored rows: what is compared, how a difference reads, and how a new outcome is accepted."""

import shutil
from pathlib import Path

import msgspec
import numpy as np
import pytest
from replay_logs.make import Recorded

from nightturn.errors import ConfigError, CorruptFileError
from nightturn.estimation.figures import FIGURES, FRICTION
from nightturn.estimation.fingerprint import fingerprint
from nightturn.model.figures import Curve, CycleRecord, Defect, Line, Symptoms
from nightturn.model.limits import AT_LIMIT
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.replay.differences import close, cycle_differences, night_differences, row_differences
from nightturn.replay.expected import expected_path, read_expected
from nightturn.replay.full import replay
from nightturn.replay.stored import stored_rows
from nightturn.replay.tapes import tape_of_file, tape_of_run
from nightturn.replay.verdict import Options, replay_log

LATEST = "latest"


@pytest.fixture(scope="module")
def kept(measured: Recorded, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The measured run as a tape with an expectation beside it."""
    tape = tmp_path_factory.mktemp("kept") / "measured.ntj"
    shutil.copyfile(measured.segments[0], tape)
    outcome = replay_log(tape, "", LATEST, Options(accept=True, made_by="a command"))
    assert outcome.lines()[0].startswith("measured.ntj: accepted as measured.expected.json; 3 cycles")
    return tape


@pytest.fixture
def cycle(kept: Path) -> CycleRecord:
    expected = read_expected(kept)
    assert expected is not None
    return expected.rows.cycles[0]


def changed(cycle: CycleRecord, name: str, **parts: object) -> CycleRecord:
    """The cycle with parts of one of its figures changed."""
    figures = tuple(
        msgspec.structs.replace(figure, **parts) if figure.name == name else figure
        for figure in cycle.figures
    )
    return msgspec.structs.replace(cycle, figures=figures)


@pytest.mark.parametrize("options", [Options(), Options(figures=True), Options(tile_samples=777)])
def test_an_accepted_tape_is_identical(kept: Path, options: Options) -> None:
    outcome = replay_log(kept, "", LATEST, options)
    assert outcome.identical, outcome.lines()
    assert outcome.lines()[0].startswith("measured.ntj: identical (")


@pytest.mark.parametrize("options", [Options(), Options(figures=True)])
def test_a_changed_method_says_from_which_value_to_which(
    kept: Path, options: Options, monkeypatch: pytest.MonkeyPatch
) -> None:
    newer = msgspec.structs.replace(FIGURES[FRICTION], method=FIGURES[FRICTION].method + 1)
    monkeypatch.setitem(FIGURES, FRICTION, newer)
    outcome = replay_log(kept, "", LATEST, options)
    first = outcome.differences[0]
    value = replay(tape_of_file(kept)).rows.cycles[0].figure(FRICTION).value
    assert (
        first
        == f"cycle 1: friction_nm method {newer.method - 1} -> {newer.method}: {value:.6g} -> {value:.6g}"
    )
    assert len(outcome.differences) == 3  # one for each cycle, and nothing else
    assert not outcome.identical


def test_accept_rewrites_the_expectation_and_keeps_who_made_the_tape(
    kept: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tape = tmp_path / kept.name
    shutil.copyfile(kept, tape)
    shutil.copyfile(expected_path(kept), expected_path(tape))
    newer = msgspec.structs.replace(FIGURES[FRICTION], method=FIGURES[FRICTION].method + 1)
    monkeypatch.setitem(FIGURES, FRICTION, newer)
    assert not replay_log(tape, "", LATEST, Options()).identical
    replay_log(tape, "", LATEST, Options(accept=True))
    assert replay_log(tape, "", LATEST, Options()).identical
    expected = read_expected(tape)
    assert expected is not None
    assert expected.made_by == "a command"
    assert expected.rows.cycles[0].figure(FRICTION).method == newer.method


def test_under_the_same_fingerprint_the_last_bit_counts_else_one_part_in_1e9(cycle: CycleRecord) -> None:
    friction = cycle.figure(FRICTION).value
    assert friction is not None
    near = changed(cycle, FRICTION, value=friction * (1 + 5e-10))
    far = changed(cycle, FRICTION, value=friction * (1 + 5e-9))
    assert cycle_differences([cycle], [near], exact=False, whole=True) == []
    (line,) = cycle_differences([cycle], [near], exact=True, whole=True)
    assert line.startswith("cycle 1: friction_nm: value ")
    assert line.endswith(" (5.0 × 10⁻¹⁰ relative)")
    assert len(cycle_differences([cycle], [far], exact=False, whole=False)) == 1


def test_a_verdict_that_only_the_last_digits_decide_says_so(cycle: CycleRecord) -> None:
    edge = msgspec.structs.replace(
        cycle,
        verdict="undecided",
        verdict_reasons=("met: 1 ± 1, an end of the interval within 1e-9 of its limit",),
    )
    found = cycle_differences([cycle], [edge], exact=False, whole=True)
    assert "cycle 1: only the last digits decide this verdict: within 1e-9 of its limit" in found
    plain = msgspec.structs.replace(cycle, verdict="undecided")
    assert len(cycle_differences([cycle], [plain], exact=False, whole=True)) == 1


NIGHT = NightVerdict(
    "accept",
    ("friction_nm: 92.4 ± 1.5 mN·m over 2 judged cycles, limit 150 mN·m",),
    (LimitVerdict("friction_nm", "max", "at 5 rpm", 0.0924, 0.0001, 1.0, 0.15, "accept", 2),),
    (),
    2,
    2,
)


def on_limit(**changes: object) -> NightVerdict:
    return msgspec.structs.replace(NIGHT, limits=(msgspec.structs.replace(NIGHT.limits[0], **changes),))


def test_every_number_and_word_of_a_nights_verdict_is_compared_and_no_sentence() -> None:
    assert night_differences(NIGHT, NIGHT, exact=True, whole=True) == []
    for name, value in (("word", "reject"), ("value", 0.1), ("u", 0.1), ("nu", 2.0), ("cycles_judged", 3)):
        (line,) = night_differences(NIGHT, on_limit(**{name: value}), exact=False, whole=False)
        assert line.startswith(f"night: friction_nm: {name} ")
    for name in ("cycles", "planned"):
        other = msgspec.structs.replace(NIGHT, **{name: 7})
        assert night_differences(NIGHT, other, exact=True, whole=True) == [f"night: {name} 2 -> 7"]
        assert night_differences(NIGHT, other, exact=True, whole=False) == []
    said_otherwise = msgspec.structs.replace(NIGHT, reasons=("another sentence",), would_decide=("a cycle",))
    assert night_differences(NIGHT, said_otherwise, exact=True, whole=True) == []
    assert night_differences(NIGHT, on_limit(limit=0.2), exact=True, whole=True) == [
        "night: friction_nm at most 0.15 was not seen",
        "night: friction_nm at most 0.2 was not expected",
    ]
    assert night_differences(NIGHT, None, exact=True, whole=True) == ["the night's verdict was not seen"]
    assert night_differences(None, NIGHT, exact=True, whole=True) == []


def test_a_nights_verdict_is_held_within_the_bound_on_another_machine() -> None:
    near = on_limit(value=0.0924 * (1 + 5e-10))
    assert night_differences(NIGHT, near, exact=False, whole=True) == []
    assert len(night_differences(NIGHT, near, exact=True, whole=True)) == 1


def test_a_nights_verdict_that_only_the_last_digits_decide_says_so() -> None:
    edge = msgspec.structs.replace(
        on_limit(word="undecided"), reasons=(f"friction_nm: 1 ± 1, an end of the interval {AT_LIMIT}",)
    )
    assert f"night: only the last digits decide this verdict: {AT_LIMIT}" in night_differences(
        NIGHT, edge, exact=False, whole=False
    )


def test_every_part_of_a_cycle_is_compared(cycle: CycleRecord) -> None:
    cycle = msgspec.structs.replace(cycle, curves=(a_curve(),))
    for name in cycle.__struct_fields__:
        if name in {"figures", "fingerprint", "epoch", "cycle_no"}:
            continue
        other = msgspec.structs.replace(cycle, **{name: "other"})
        (line,) = cycle_differences([cycle], [other], exact=False, whole=True)
        assert line.startswith(f"cycle 1: {name} ")
    for name in ("value", "u", "nu", "status", "n", "reasons"):
        other = changed(cycle, FRICTION, **{name: "other"})
        (line,) = cycle_differences([cycle], [other], exact=False, whole=False)
        assert line.startswith(f"cycle 1: friction_nm: {name} ")


def test_cycles_and_figures_that_are_missing_or_new_are_named(cycle: CycleRecord) -> None:
    other = msgspec.structs.replace(cycle, cycle_no=9)
    assert cycle_differences([cycle], [other], exact=True, whole=True) == [
        "cycle 1 of epoch 0 was not seen",
        "cycle 9 of epoch 0 was not expected",
    ]
    fewer = msgspec.structs.replace(cycle, figures=cycle.figures[1:])
    assert cycle_differences([cycle], [fewer], exact=True, whole=True) == [
        "cycle 1: ripple_pp_nm was not seen"
    ]
    assert cycle_differences([fewer], [cycle], exact=True, whole=True) == [
        "cycle 1: ripple_pp_nm was not expected"
    ]


def test_close_looks_into_tuples_and_dicts() -> None:
    assert close(({"a": 1.0},), ({"a": 1.0 + 1e-12},))
    assert not close((1.0, 2.0), (1.0,))
    assert not close({"a": 1.0}, {"b": 1.0})
    assert not close(None, 1.0)


def a_curve(torque_nm: float = 0.25, hole: float = np.nan, *, leg: str = "hold", turns: int = 3) -> Curve:
    torque = np.asarray((0.5, torque_nm, hole), "<f4").tobytes()
    return Curve(leg, 1, turns, torque, np.asarray((0.125,), "<f4").tobytes(), b"")


def test_close_takes_curves_by_their_points_and_a_hole_as_a_hole() -> None:
    assert close((a_curve(),), (a_curve(0.25 * (1 + 2e-7)),))
    assert not close((a_curve(),), (a_curve(0.25 * (1 + 1e-5)),))
    for other in (a_curve(hole=0.0), a_curve(leg="back"), a_curve(turns=2)):
        assert not close(a_curve(), other)
    shorter = msgspec.structs.replace(a_curve(), amplitude_nm=b"")
    assert not close(a_curve(), shorter)


def test_an_expectation_leaves_curves_to_the_tape(kept: Path) -> None:
    expected = read_expected(kept)
    assert expected is not None
    assert [cycle.curves for cycle in expected.rows.cycles] == [()] * len(expected.rows.cycles)


def test_close_takes_symptoms_by_their_numbers() -> None:
    def seen(order: float, *, jumps: int = 0) -> Symptoms:
        return Symptoms((Line("hold", order, 1e-3),), (Defect("ripple", 20.0, 1.0, 0.01),), 0, jumps)

    assert close(seen(5.4), seen(5.4 * (1 + 1e-8)))
    assert not close(seen(5.4), seen(5.4001))
    assert not close(seen(5.4), seen(5.4, jumps=1))
    assert not close(seen(5.4), Symptoms())
    assert not close(seen(5.4), Symptoms((), seen(5.4).defects))
    assert not close(None, Symptoms())


def test_close_takes_a_phase_modulo_a_turn_and_only_as_sharp_as_its_amplitude() -> None:
    pi = 3.14159265358979
    assert close(((4, 1e-3, pi, 1e-6),), ((4, 1e-3, -pi, 1e-6),))
    assert not close(((4, 1e-3, 1.0, 1e-6),), ((4, 1e-3, 1.0001, 1e-6),))
    assert close(((4, 1e-13, 1.0, 1e-6),), ((4, 1e-13, 2.0, 1e-6),))  # an amplitude of nothing has no phase
    assert not close(((4, 1e-3, 1.0, 1e-6),), ((5, 1e-3, 1.0, 1e-6),))


def under(kept: Path, folder: Path, line: str, factor: float = 1.0) -> Path:
    """A copy of the tape whose expectation was made under another fingerprint, friction a little off."""
    tape = folder / kept.name
    shutil.copyfile(kept, tape)
    expected = read_expected(kept)
    assert expected is not None
    cycles = []
    for cycle in expected.rows.cycles:
        value = cycle.figure(FRICTION).value
        other = changed(cycle, FRICTION, value=None if value is None else value * factor)
        cycles.append(msgspec.structs.replace(other, fingerprint=line))
    rows = msgspec.structs.replace(expected.rows, cycles=cycles)
    other_expected = msgspec.structs.replace(expected, fingerprint=line, rows=rows)
    expected_path(tape).write_bytes(msgspec.json.encode(other_expected))
    return tape


@pytest.mark.parametrize("options", [Options(), Options(figures=True), Options(tile_samples=777)])
def test_the_line_says_which_of_the_two_comparisons_held(
    kept: Path, tmp_path: Path, options: Options
) -> None:
    here = fingerprint()
    elsewhere = here.replace("numpy ", "numpy 0.", 1)
    what = "; recorded under another numeric fingerprint: numpy 0."
    same = replay_log(kept, "", LATEST, options)
    assert same.compared_with.endswith("sums and figures: equal to the last bit")
    bits = replay_log(under(kept, tmp_path, elsewhere), "", LATEST, options)
    assert f"sums and figures: equal to the last bit{what}" in bits.lines()[0]
    near = replay_log(under(kept, tmp_path, elsewhere, 1 + 1e-12), "", LATEST, options)
    assert f"sums and figures: equal within 10⁻⁹{what}" in near.lines()[0]
    assert all(outcome.identical and len(outcome.lines()) == 1 for outcome in (same, bits, near))
    far = replay_log(under(kept, tmp_path, elsewhere, 1 + 1e-6), "", LATEST, options)
    assert f"sums and figures: compared within 10⁻⁹{what}" in far.lines()[0]
    assert "friction_nm: value " in far.differences[0]
    assert far.differences[0].endswith(" (1.0 × 10⁻⁶ relative)")
    broken = replay_log(under(kept, tmp_path, here, 1 + 1e-12), "", LATEST, options)
    assert broken.compared_with.endswith("compared to the last bit")
    assert not broken.identical


def test_cycles_of_two_fingerprints_in_one_run_are_compared_within_the_bound(
    kept: Path, tmp_path: Path
) -> None:
    here = fingerprint()
    tape = under(kept, tmp_path, here, 1 + 1e-12)
    expected = read_expected(tape)
    assert expected is not None
    expected.rows.cycles[1] = msgspec.structs.replace(expected.rows.cycles[1], fingerprint=f"{here} old")
    expected_path(tape).write_bytes(msgspec.json.encode(expected))
    outcome = replay_log(tape, "", LATEST, Options())
    assert outcome.identical, outcome.lines()
    assert (
        "equal within 10⁻⁹; recorded under another numeric fingerprint: libm old -> (none)"
        in outcome.lines()[0]
    )


def test_gaps_events_and_strokes_are_compared_one_by_one(kept: Path) -> None:
    expected = read_expected(kept)
    assert expected is not None
    rows = expected.rows
    assert len(rows.gaps) == 1
    assert len(rows.strokes) == 4
    other = msgspec.structs.replace(rows, gaps=[msgspec.structs.replace(rows.gaps[0], cause="device")])
    assert row_differences(rows, other, exact=True) == ["gaps 1: cause link -> device"]
    fewer = msgspec.structs.replace(rows, events=rows.events[:-1])
    assert row_differences(rows, fewer, exact=True) == [
        f"events: {len(rows.events)} expected, {len(rows.events) - 1} seen"
    ]


def test_an_expectation_that_is_none_is_an_error_that_names_it(kept: Path, tmp_path: Path) -> None:
    tape = tmp_path / kept.name
    shutil.copyfile(kept, tape)
    expected_path(tape).write_text("{", encoding="utf-8")
    with pytest.raises(CorruptFileError, match=r"measured\.expected\.json: not an expectation"):
        replay_log(tape, "", LATEST, Options())


def test_options_that_contradict_each_other_are_refused(measured: Recorded, kept: Path) -> None:
    for options in (Options(figures=True, splits=(3,)), Options(figures=True, accept=True)):
        with pytest.raises(ConfigError, match="full replay"):
            replay_log(kept, "", LATEST, options)
    with pytest.raises(ConfigError, match="an expectation is kept for a tape by itself only"):
        replay_log(measured.root, measured.fixture, LATEST, Options(accept=True))


def test_a_run_is_compared_with_what_it_stored(measured: Recorded) -> None:
    for options in (Options(), Options(figures=True)):
        outcome = replay_log(measured.root, measured.fixture, LATEST, options)
        assert outcome.identical, outcome.lines()
        assert outcome.cycles == 3


def its_own_row(cycle: CycleRecord) -> CycleRecord:
    """The cycle without what is rows of other datasets: the lines of its budgets, and its curves."""
    figures = tuple(msgspec.structs.replace(figure, budget=()) for figure in cycle.figures)
    return msgspec.structs.replace(cycle, figures=figures, curves=())


def test_stored_rows_are_the_rows_that_were_emitted(measured: Recorded) -> None:
    tape = tape_of_run(measured.root, measured.fixture, measured.run)
    seen = replay(tape)
    stored = stored_rows(measured.root, measured.fixture, measured.run, seen.record_first, seen.record_last)
    assert stored.cycles == [its_own_row(cycle) for cycle in seen.rows.cycles]
    assert stored.gaps == seen.rows.gaps
    assert sorted(stored.events, key=repr) == sorted(seen.rows.events, key=repr)


def test_only_what_the_tape_covers_is_asked_for(segments: Recorded, tmp_path: Path) -> None:
    """Old segments may be gone where their Parquet is kept."""
    root = tmp_path / "root"
    shutil.copytree(segments.root, root)
    sealed = root / "journal" / segments.fixture / "sealed"
    for old in sorted(sealed.iterdir())[:2]:
        old.unlink()
    outcome = replay_log(root, segments.fixture, LATEST, Options())
    assert outcome.identical, outcome.lines()


def test_a_stored_cycle_that_is_gone_is_a_difference(measured: Recorded, tmp_path: Path) -> None:
    root = tmp_path / "root"
    shutil.copytree(measured.root, root)
    shutil.rmtree(root / "cycles")
    outcome = replay_log(root, measured.fixture, LATEST, Options())
    assert outcome.differences[0] == "cycles: 0 expected, 3 seen"
