"""The night's verdict for people: within eighty columns whatever the names, and honest where there is none."""

import shutil
from pathlib import Path

import msgspec
import pytest
from replay_logs.make import Recorded
from tests.cli.terminal import too_wide, typed
from tests.recorded import recorded as recording
from tests.replay.scenes import BRIEF

from nightturn.cli import night_text
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.night_verdict import NO_LIMIT
from nightturn.model.figures import BUDGET, INTERVAL_IS, REPEATABILITY
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.sentences.purpose import NOT_KEPT
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import ENDED, manifests, write_manifest

LIMITS = tuple(
    LimitVerdict(
        name, "max", "at 12.5 rpm, at 5.25 N·m, from 18 to 30 °C", 0.115426, 0.0000312, 3.5, 0.15, "undecided", 1717
    )
    for name in FIGURES
)  # fmt: skip
WIDE = NightVerdict(
    "undecided", ("a reason of many words " * 8,), LIMITS, ("about 17 more judged cycles like these " * 4,), 1717, 2000
)  # fmt: skip


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Recorded:
    return recording(tmp_path_factory, BRIEF)


@pytest.fixture
def root(recorded: Recorded, tmp_path: Path) -> Path:
    shutil.copytree(recorded.root, tmp_path / "nights")
    return tmp_path / "nights"


def with_verdict(root: Path, verdict: NightVerdict | None, **changes: object) -> None:
    files = RealFiles(root)
    (manifest,) = manifests(files)
    write_manifest(files, msgspec.structs.replace(manifest, night_verdict=verdict, **changes))


def test_every_figure_fits_into_eighty_columns(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_verdict(root, WIDE)
    code, out, _ = typed(["runs", str(root), "latest"], capsys)
    assert code == 0
    assert too_wide(out) == []
    for name in FIGURES:
        assert f"  {name} ≤ " in out
    assert "115.426 ± 0.092 mN·m over 1717 cycles; at 12.5 rpm" in " ".join(out.split())


@pytest.mark.parametrize(
    ("state", "head"),
    [("running", "night so far: accept, engineering"), (ENDED, "night: accept, engineering")],
)
def test_a_verdict_says_so_far_until_the_run_has_ended(
    root: Path, capsys: pytest.CaptureFixture[str], state: str, head: str
) -> None:
    with_verdict(root, msgspec.structs.replace(WIDE, word="accept"), state=state)
    assert f"{head}; cycles: 1717, planned: 2000" in typed(["runs", str(root), "latest"], capsys).out
    assert typed(["runs", str(root)], capsys).out.splitlines()[-1] == f"  {head}"


@pytest.mark.parametrize("kind", [BUDGET, REPEATABILITY])
def test_the_title_says_what_the_intervals_hold(kind: str) -> None:
    limits = [msgspec.structs.replace(limit, kind=kind) for limit in LIMITS]
    mixed = msgspec.structs.replace(
        WIDE, limits=(*limits, msgspec.structs.replace(limits[0], kind=REPEATABILITY))
    )
    said = night_text.title(msgspec.structs.replace(WIDE, limits=tuple(limits)), ended=True)
    assert said == f"night: undecided, engineering; cycles: 1717, planned: 2000; {INTERVAL_IS[kind]}"
    assert night_text.title(mixed, ended=True).endswith(INTERVAL_IS[REPEATABILITY])


def test_a_run_of_an_older_version_has_none(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_verdict(root, None, state=ENDED)
    code, out, _ = typed(["runs", str(root), "latest"], capsys)
    assert (code, out.splitlines()[-1]) == (0, "  night: not worked out by the version that recorded the run")
    assert typed(["runs", str(root)], capsys).out.splitlines()[-1] == "  night: not worked out"


def test_without_a_limit_the_reason_stands_alone(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with_verdict(root, NightVerdict("not judged", (NO_LIMIT,), (), (), 3, 9))
    code, out, _ = typed(["runs", str(root), "latest"], capsys)
    assert code == 0
    assert out.splitlines()[-3:] == [
        "night so far: not judged, engineering; cycles: 3, planned: 9",
        f"  because      {NO_LIMIT}",
        f"  engineering  {NOT_KEPT}",
    ]


def test_a_release_is_called_one_and_has_no_reason_against_it() -> None:
    released = msgspec.structs.replace(WIDE, word="accept", purpose="release")
    assert night_text.word(released, ended=True) == "night: accept, release"
    held = msgspec.structs.replace(released, purpose="engineering", engineering_because=("no check",))
    assert night_text.because(held)[-1] == ("engineering", "no check")
    assert "engineering" not in dict(night_text.because(released))


def test_a_limit_that_no_cycle_could_be_held_against_says_so() -> None:
    empty = LimitVerdict("friction_nm", "max", "at 3 rpm", None, None, None, 0.15, "undecided", 0)
    (row,) = night_text.limit_rows(NightVerdict("undecided", (), (empty,)))
    assert row == ("friction_nm ≤ 150 mN·m", "undecided", "no cycle could be judged; at 3 rpm")
