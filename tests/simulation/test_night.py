"""The night's verdict of the core: on a tape, through the commands, and through every way in which a host restarts."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import msgspec
import pytest
from tests.bench.test_damaged_tape import flip, of_record, open_tape
from tests.bench.test_recovery import killed
from tests.bench.test_side_files import of_another_state
from tests.cli.terminal import too_wide, typed
from tests.simulation.night_scene import ACCEPTED, LIMIT_NM, manifest_of, night, quick, verdict_of
from tests.simulation.scene import FAST, Scene, settings_of

from nightturn.bench.runs import Pace
from nightturn.estimation.night_verdict import ANOTHER_RUN, REPEATABILITY_ONLY
from nightturn.estimation.purpose import NOT_ASKED
from nightturn.fixture.night import TAPE_LOST
from nightturn.model.verdicts import ACCEPT, NOT_JUDGED, REJECT, UNDECIDED
from nightturn.replay.figures import replay_figures
from nightturn.replay.full import replay
from nightturn.replay.tapes import Tape, tape_of_run
from nightturn.replay.verdict import Options, replay_log
from nightturn.settings.rig import Shunt
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import write_manifest
from nightturn.storage.runs import list_runs, open_run

GOOD, BAD = 5, 20
BRIEF = settings_of(plan=quick(5), after_restart="resume", chunk_s=20.0)


@pytest.fixture(scope="module")
def hidden(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Scene]:
    """Five good cycles, twenty of a worn unit, five good ones; the plan ends the run."""
    root = tmp_path_factory.mktemp("hidden")
    return root, night(root, GOOD + BAD + GOOD, range(GOOD, GOOD + BAD))


@pytest.fixture(scope="module")
def tape(hidden: tuple[Path, Scene]) -> Tape:
    return tape_of_run(hidden[0], FAST.id, "latest")


def test_twenty_rejects_in_the_middle_are_not_hidden_by_five_good_last_cycles(
    hidden: tuple[Path, Scene],
) -> None:
    root, scene = hidden
    words = [cycle.verdict for cycle in scene.tally.cycles[FAST.id]]
    assert words == [ACCEPT] * GOOD + [REJECT] * BAD + [ACCEPT] * GOOD
    found = verdict_of(scene)
    assert found.word == REJECT
    assert found.reasons[0].endswith("; cycles 6 to 25 each reject")
    (limit,) = found.limits
    assert (limit.figure, limit.limit, limit.cycles_judged) == ("friction_nm", LIMIT_NM, GOOD + BAD + GOOD)
    assert scene.station.run_ended is not None
    assert scene.station.run_ended.night_verdict == manifest_of(root).night_verdict == found


def test_the_command_line_says_so_and_ends_with_one(
    hidden: tuple[Path, Scene], capsys: pytest.CaptureFixture[str]
) -> None:
    root, scene = hidden
    code, out, _ = typed(["runs", str(root)], capsys)
    assert (code, out.splitlines()[-1]) == (0, "  night: reject, engineering")
    (run,) = [each.run for each in list_runs(root)]
    for name in (run, "latest"):
        code, out, _ = typed(["runs", str(root), name], capsys)
        assert code == 1
        assert "cycles 6 to 25 each reject" in " ".join(out.split())
        assert too_wide(out) == []
    row = next(line for line in out.splitlines() if line.startswith("  friction_nm"))
    assert row.split()[:5] == ["friction_nm", "≤", "250", "mN·m", "reject"]
    code, out, _ = typed(["runs", str(root), run, "--json"], capsys)
    (told,) = json.loads(out)
    assert (code, told["night_verdict"]["word"]) == (1, REJECT)
    assert told["night_verdict"]["limits"][0]["cycles_judged"] == len(scene.tally.cycles[FAST.id])


def test_a_run_that_does_not_exist_is_named_with_those_that_do(
    hidden: tuple[Path, Scene], capsys: pytest.CaptureFixture[str]
) -> None:
    (run,) = [each.run for each in list_runs(hidden[0])]
    code, out, err = typed(["runs", str(hidden[0]), "20200101T000000Z-0000"], capsys)
    assert (code, out) == (4, "")
    assert f"its newest of 1: {run}" in err
    assert typed(["runs", str(hidden[0]), "../x"], capsys).code == 4


def test_the_end_is_told_with_its_verdict_and_the_state_carries_it_from_cycle_to_cycle(
    hidden: tuple[Path, Scene],
) -> None:
    events = open_run(hidden[0]).events()
    (said,) = events[events["kind"] == "night_verdict"]["detail"]
    assert said == f"reject: 30 judged of 30 planned cycles; friction_nm; engineering: {NOT_ASKED}"
    last = hidden[1].tally.states[FAST.id]
    assert (last.state, last.night_verdict) == ("ended", verdict_of(hidden[1]))


@pytest.mark.parametrize("tile_samples", [None, 777])
def test_full_replay_gives_the_verdict_again_from_every_split(
    hidden: tuple[Path, Scene], tape: Tape, tile_samples: int | None
) -> None:
    again = replay(tape, tile_samples, splits=range(1, 40_000, 977))
    assert again.rows.night_verdict == verdict_of(hidden[1])


def test_figures_replay_gives_the_verdict_again(hidden: tuple[Path, Scene], tape: Tape) -> None:
    found = replay_figures(tape).night_verdict
    assert found is not None
    assert (found.word, found.limits) == (REJECT, verdict_of(hidden[1]).limits)


def test_a_replay_from_a_later_segment_counts_the_cycles_before_it(
    hidden: tuple[Path, Scene], tape: Tape
) -> None:
    late = Tape(tape.name, tape.files[-1:], tape.run)
    seen = replay(late)
    assert 0 < len(seen.rows.cycles) < GOOD + BAD
    assert seen.rows.night_verdict == verdict_of(hidden[1])


@pytest.mark.parametrize("figures", [False, True])
def test_a_replay_finds_a_verdict_that_was_changed(
    hidden: tuple[Path, Scene], tmp_path: Path, figures: bool
) -> None:
    root = tmp_path / "nights"
    shutil.copytree(hidden[0], root)
    options = Options(figures=figures)
    assert replay_log(root, FAST.id, "latest", options).identical
    manifest = manifest_of(root)
    assert manifest.night_verdict is not None
    better = msgspec.structs.replace(manifest.night_verdict, word=ACCEPT)
    write_manifest(RealFiles(root), msgspec.structs.replace(manifest, night_verdict=better))
    assert replay_log(root, FAST.id, "latest", options).differences == ("night: word accept -> reject",)


def test_a_good_night_is_accepted_and_says_what_its_interval_is_of(tmp_path: Path) -> None:
    found = verdict_of(night(tmp_path, 5))
    assert found.word == ACCEPT
    assert found.reasons[-1] == REPEATABILITY_ONLY


def test_a_factor_whose_uncertainty_is_known_widens_the_interval(tmp_path: Path) -> None:
    record = {
        "id": "TR-204/1", "transducer": FAST.transducer.serial, "factor_nm_per_v": 4.0,
        "valid_from": "2026-01-01T00:00:00Z", "u_factor_rel": 0.1,
    }  # fmt: skip
    (tmp_path / "calibrations").mkdir()
    (tmp_path / "calibrations" / "TR-204.jsonl").write_text(json.dumps(record) + "\n")
    found = verdict_of(night(tmp_path, 5))
    assert found.word == UNDECIDED
    assert REPEATABILITY_ONLY not in found.reasons
    (limit,) = found.limits
    assert limit.value is not None
    assert limit.u == pytest.approx(0.1 * limit.value, rel=0.05)


def test_the_last_cycle_counts_although_its_samples_wait_for_a_full_tile(tmp_path: Path) -> None:
    """The plan ends the run where the shaft has stood for its dwell; these tiles are longer."""
    plan = settings_of(plan=quick(2), shunt=Shunt(check=False))
    scene = night(tmp_path, 2, settings=plan, pace=Pace(tile_samples=4000))
    assert scene.count("shunt_check") == 0
    assert verdict_of(scene).cycles == len(open_run(tmp_path).cycles()) == 2
    assert verdict_of(scene).word == ACCEPT


def test_a_night_without_a_limit_is_not_judged(tmp_path: Path) -> None:
    scene = night(tmp_path, 2, variant=ACCEPTED.partition("[accept]")[0])
    assert verdict_of(scene).word == NOT_JUDGED
    assert scene.count("night_verdict") == 0


# ---- a host that restarts


def restarted(root: Path, planned: int, cuts: list[int], bad: range = range(0)) -> Scene:
    """The night in which the host is killed after each of so many counted cycles, and at last ends by its plan."""
    # Each of these virtual loops begins at zero: so late that no host starts, by the wall clock, before the last one was killed.
    for number, cut in enumerate(cuts):
        night(root, planned, bad, until=cut, end=killed, again=number > 0, later_s=75.0 * number)
    return night(root, planned, bad, again=bool(cuts), later_s=75.0 * len(cuts))


def test_every_cycle_counts_through_restarts_of_the_host(tmp_path: Path) -> None:
    scene = restarted(tmp_path, 9, [2, 5], bad=range(2, 6))
    found, stored = verdict_of(scene), open_run(tmp_path).cycles()
    assert list(stored["cycle_no"]) == list(range(1, found.cycles + 1))
    judged = [words[0] != NOT_JUDGED for words in stored["limit_words"]]
    assert found.limits[0].cycles_judged == sum(judged)
    assert found.limits[0].value == pytest.approx(stored["friction_nm"][judged].mean(), rel=1e-12)
    assert found.word == REJECT
    assert not any("count" in reason for reason in found.reasons)
    assert replay_log(tmp_path, FAST.id, "latest", Options()).identical


def test_a_good_night_is_accepted_after_a_restart_too(tmp_path: Path) -> None:
    assert verdict_of(restarted(tmp_path, 6, [3])).word == ACCEPT


def test_a_run_under_way_has_its_verdict_so_far_in_its_manifest(tmp_path: Path) -> None:
    scene = night(tmp_path, 20, until=3)
    manifest = manifest_of(tmp_path)
    assert (manifest.state, manifest.night_verdict) == ("running", verdict_of(scene))
    assert manifest.night_verdict is not None
    assert manifest.night_verdict.word == UNDECIDED
    assert manifest.night_verdict.would_decide == ("friction_nm: 13 more judged cycles",)


# ---- what is lost never leads to accept


def nothing(_root: Path) -> None:
    """Whatever is there stays."""


def open_tape_gone(root: Path) -> None:
    for path in (root / "journal" / FAST.id).glob("*.ntj"):
        path.unlink()


def all_tape_gone(root: Path) -> None:
    shutil.rmtree(root / "journal" / FAST.id)


def open_tape_damaged(root: Path) -> None:
    path = open_tape(root)
    flip(path, of_record(path, 0.5)[1])


def open_tape_of_another_version(root: Path) -> None:
    of_another_state(open_tape(root))


def the_last_of_two_open_ones_of_another_version(root: Path) -> None:
    """As after seals that failed: the segment before lies unsealed too, and what it says of the run is not the last."""
    of_another_state(open_tape(root))
    newest = max((root / "journal" / FAST.id / "sealed").glob("*.ntj"))
    newest.rename(root / "journal" / FAST.id / newest.name)
    first = newest.name.partition("-")[0]
    for chunk in root.glob(f"*/fixture={FAST.id}/*/*/c*-{first}-*.parquet"):
        chunk.unlink()


@pytest.fixture(scope="module")
def interrupted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four good cycles of five, enough to accept, and a host that was killed; two segments are sealed."""
    root = tmp_path_factory.mktemp("interrupted")
    scene = night(root, 5, until=4, end=killed, settings=BRIEF)
    assert verdict_of(scene).word == ACCEPT
    return root


@pytest.mark.parametrize(
    ("lose", "word"),
    [
        (nothing, ACCEPT),
        (open_tape_damaged, UNDECIDED),
        (open_tape_of_another_version, UNDECIDED),
        (the_last_of_two_open_ones_of_another_version, UNDECIDED),
        (open_tape_gone, UNDECIDED),
        (all_tape_gone, UNDECIDED),
    ],
    ids=lambda each: getattr(each, "__name__", each),
)
def test_what_is_lost_of_the_tape_keeps_the_night_from_being_accepted(
    interrupted: Path, tmp_path: Path, lose: Callable[[Path], None], word: str
) -> None:
    root = tmp_path / "nights"
    shutil.copytree(interrupted, root)
    lose(root)
    (before,) = list_runs(root)
    found = verdict_of(night(root, 5, until=0, later_s=60.0, settings=BRIEF))
    (after,) = list_runs(root)
    assert after.run == before.run
    assert after.night_verdict is not None
    assert (found.word, after.night_verdict.word) == (word, word)
    assert any(TAPE_LOST in reason for reason in found.reasons) == (word != ACCEPT)
    assert (ANOTHER_RUN in found.would_decide) == (word != ACCEPT)


def test_limits_that_are_changed_on_the_way_do_not_make_a_night_good(tmp_path: Path) -> None:
    """Four cycles reject; then somebody writes twice the limit, and a restart takes it up."""
    night(tmp_path, 5, range(5), until=4, end=killed)
    eased = ACCEPTED.replace(str(LIMIT_NM), str(2 * LIMIT_NM))
    scene = night(tmp_path, 5, range(5), until=4, later_s=60.0, variant=eased)
    found = verdict_of(scene)
    assert found.word == UNDECIDED
    assert any(
        reason.startswith("cycles 1 to ") and "held against other limits" in reason
        for reason in found.reasons
    )
