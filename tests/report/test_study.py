"""A study from plan to components: what is next, what counts, what cannot be said, and that broken-off studies go on."""

import random
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.cli.terminal import typed
from tests.report.test_document import Page
from tests.unit_history.nights import night, place, usual_settings

from nightturn.errors import ConfigError, RunNotFoundError
from nightturn.report.study import component_rows, measuring_words, study_of
from nightturn.report.study_measured import BEGUN, DONE, OPEN, Mounting, matched, measured, planned
from nightturn.report.study_page import study_page
from nightturn.settings.study import StudyPlan, load_study
from nightturn.trend.series import FOLLOWED
from nightturn.unit_history.nights import Night

FRICTION = "friction_nm"
PLAN = StudyPlan(
    variant="pan15",
    figures=[FRICTION],
    rigs=["pan-a1", "pan-a2"],
    units=["Q-0121", "Q-0203", "Q-0207", "Q-0311"],
    operators=["R. Vale", "M. Orr"],
    mountings=2,
)
UNIT_NM = dict(zip(PLAN.units, (0.080, 0.088, 0.095, 0.101), strict=True))


def measured_night(mounting: Mounting, number: int, *, variant: str = "pan15", **changed: str) -> Night:
    """A night of a planned mounting: the unit's friction, 2 mN·m more on the second rig, half a mN·m from mounting to mounting."""
    chance = random.Random(f"{mounting}")
    level = UNIT_NM.get(mounting.unit, 0.09) + 0.002 * (mounting.rig == "pan-a2") + chance.gauss(0, 0.0005)
    usual = usual_settings()
    card = msgspec.structs.replace(
        usual.card, unit=mounting.unit, variant=variant, operator=mounting.operator
    )
    where = place(
        **{
            "fixture": mounting.rig,
            "operator": mounting.operator,
            "mounted_utc": f"2026-11-{number + 1:02d}T20:00:00Z",
            **changed,
        }
    )
    made = night(
        number,
        {FRICTION: lambda hours, _strokes: np.full(len(hours), level)},
        cycles=6,
        where=where,
        settings=msgspec.structs.replace(usual, card=card),
    )
    return replace(made, purpose="release")


def nights(plan: StudyPlan = PLAN, count: int | None = None) -> list[Night]:
    return [measured_night(each, number) for number, each in enumerate(planned(plan)[:count])]


def test_the_order_is_drawn_round_by_round_and_stays() -> None:
    order = planned(PLAN)
    assert len(order) == len(set(order)) == 32
    assert [each.number for each in order] == [1] * 16 + [2] * 16
    assert order == planned(PLAN)
    assert order != planned(msgspec.structs.replace(PLAN, order=1))


def test_a_study_that_was_broken_off_says_what_is_next_and_rests_on_whole_rounds() -> None:
    found, said = matched(PLAN, nights(count=20))
    assert [each.state for each in found] == [DONE] * 20 + [OPEN] * 12
    assert said == ()
    study = study_of(PLAN, found)
    assert (study.done, study.rounds) == (20, 1)
    assert "one mounting of each kind: what remounting does is in what is left" in study.silent
    assert [len(each.values) for each in study.figures] == [16]
    early = study_of(PLAN, matched(PLAN, nights(count=15))[0])
    assert early.figures == ()
    assert early.waits == "nothing is said yet: the first round of mountings is not complete"


def test_a_rig_that_reads_higher_and_units_that_differ_are_found() -> None:
    (figure,) = study_of(PLAN, matched(PLAN, nights())[0]).figures
    sd = {each.words: each for each in figure.lines}
    assert sd["from unit to unit"].sd == pytest.approx(np.std(list(UNIT_NM.values()), ddof=1), rel=0.1)
    assert sd["from rig to rig"].sd == pytest.approx(0.002 / 2**0.5, rel=0.3)
    assert sd["from mounting to mounting and all that is left"].sd == pytest.approx(0.0005, rel=0.4)
    assert sd["from operator to operator"].sd < 0.0003
    assert figure.measuring[0] == pytest.approx(
        sum(each.sd**2 for each in figure.lines if each.words != "from unit to unit") ** 0.5
    )
    assert sum(each.share_pct for each in figure.lines) == pytest.approx(100.0)
    assert "two units differ beyond doubt only by more than 3.8 mN·m" in measuring_words(figure)
    assert dict(component_rows(figure))["from unit to unit"].endswith("3 degrees of freedom")


def test_units_and_operators_that_stay_at_their_rig_are_nested() -> None:
    plan = StudyPlan(
        variant="pan15",
        figures=[FRICTION],
        rigs=["pan-a1", "pan-a2"],
        units_of={"pan-a1": ["Q-0121", "Q-0203"], "pan-a2": ["Q-0207", "Q-0311"]},
        operators_of={"pan-a1": ["R. Vale"], "pan-a2": ["M. Orr"]},
        mountings=3,
    )
    study = study_of(plan, matched(plan, nights(plan))[0])
    assert [each.words for each in study.figures[0].lines] == [
        "from rig to rig",
        "from unit to unit",
        "from mounting to mounting and all that is left",
    ]
    assert "one operator: nothing is said of what another operator would do" in study.silent


def test_nights_that_release_nothing_are_counted_in_what_a_study_says() -> None:
    own = nights()
    _, said = matched(PLAN, [replace(each, purpose="release" if at else "") for at, each in enumerate(own)])
    assert said == (
        f"of {len(own)} nights used 1 are engineering, no release: `nightturn runs RUN` says why",
    )
    assert matched(PLAN, [replace(each, purpose="release") for each in own])[1] == ()


def test_runs_that_do_not_belong_are_said_and_not_used() -> None:
    first, second = planned(PLAN)[:2]
    found, said = matched(
        PLAN,
        [
            measured_night(first, 0),
            measured_night(second, 1, variant="pan20"),
            measured_night(msgspec.structs.replace(first, operator="A. Neu"), 2),
            measured_night(second, 3, plan="slow turn at 9 rpm"),
            measured_night(first, 4),
            measured_night(first, 5),
        ],
    )
    assert [each.state for each in found].count(DONE) == 2
    text = "\n".join(said)
    assert "is of variant pan20, not used" in text
    assert "was measured in another way than the newest (slow turn at 9 rpm" in text
    assert f"{first.unit} on {first.rig}, mounted by A. Neu: not in the plan, not used" in text
    assert (
        f"{first.unit} on {first.rig}, mounted by {first.operator}: 3 mountings, the first 2 are used" in text
    )


def test_a_night_without_a_value_is_begun_and_says_which_figure() -> None:
    (first, *_), plan = planned(PLAN), msgspec.structs.replace(PLAN, nights=2)
    one = measured_night(first, 0)
    other = measured_night(first, 1, mounted_utc=one.place.mounted_utc)
    other.cycles[f"{FRICTION}_status"] = "not judged"
    found, _ = matched(plan, [one, other])
    assert found[0].state == BEGUN
    assert found[0].missing == (f"{other.run}: no judged value of friction_nm",)


def test_the_page_shows_every_mounting_and_hostile_names_are_text() -> None:
    plan = msgspec.structs.replace(PLAN, operators=["<script>x</script>", "M. Orr"])
    page = Page(study_page(study_of(plan, matched(plan, nights(plan))[0])))
    assert not any(tag == "script" for tag, _ in page.tags)
    assert sum(tag == "circle" for tag, _ in page.tags) == 32
    assert "From unit to unit" in "".join(page.words) or "from unit to unit" in "".join(page.words)
    assert "Nothing is said yet" in "".join(Page(study_page(study_of(plan, matched(plan, [])[0]))).words)


TEXT = """
variant = "pan15"
figures = ["friction_nm"]
rigs = ["pan-a1", "pan-a2"]
units = ["Q-0121", "Q-0203"]
operators = ["R. Vale"]
mountings = 2
"""


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ('figures = ["friction_nmm"]', 'unknown figure "friction_nmm"; did you mean "friction_nm"'),
        ('units = ["Q-0121", "Q-0121"]', "a name is there twice"),
        ("units = []", "give either units or units_of"),
        ('units = []\nunits_of = {pan-a1 = ["Q-1"]}', "a list for each rig"),
        ('units = []\nunits_of = {pan-a1 = ["Q-1"], pan-a2 = ["Q-2", "Q-3"]}', "different lengths"),
        (
            'units = []\nunits_of = {pan-a1 = ["Q-1"], pan-a2 = ["Q-1"]}',
            "one that is at every rig goes into units",
        ),
        ("mountings = 21", "mountings"),
        ("mountings = 1\nunits_off = 3", 'unknown key "units_off"'),
    ],
)
def test_a_mistake_in_the_file_names_key_and_remedy(tmp_path: Path, changed: str, said: str) -> None:
    path = tmp_path / "study.toml"
    keys = {line.split(" = ")[0] for line in changed.splitlines()}
    kept = [line for line in TEXT.splitlines() if line.split(" = ")[0] not in keys]
    path.write_text("\n".join([*kept, changed]))
    with pytest.raises(ConfigError) as wrong:
        load_study(path, FOLLOWED)
    assert said in str(wrong.value)
    assert "study.toml" in str(wrong.value)


def test_a_study_in_which_nothing_is_repeated_or_too_much_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "study.toml"
    path.write_text(TEXT.replace("mountings = 2", "mountings = 1").replace(', "pan-a2"', ""))
    with pytest.raises(ConfigError, match="nothing is repeated, so nothing can be judged with"):
        load_study(path, FOLLOWED)
    many = ", ".join(f'"Q-{number}"' for number in range(30))
    path.write_text(TEXT.replace('"Q-0121", "Q-0203"', many).replace("mountings = 2", "mountings = 20"))
    with pytest.raises(ConfigError, match="the study has 1200 mountings"):
        load_study(path, FOLLOWED)


def test_the_command_plans_and_shows_what_is_next(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, root = tmp_path / "study.toml", tmp_path / "nights"
    path.write_text(TEXT)
    with pytest.raises(RunNotFoundError, match="does not exist; give the data root"):
        measured(root, load_study(path, FOLLOWED))
    root.mkdir()
    words = ["study", str(path), str(root)]
    said = typed([*words, "--out", str(tmp_path / "study.html")], capsys).out
    assert "pan15: 0 of 8 mountings are done" in said
    assert said.count("open  Q-0") == 3
    assert "nothing is said yet: the first round of mountings is not complete" in said
    assert "0 of 8 mountings are done" in (tmp_path / "study.html").read_text("utf-8")
    assert typed([*words, "--all"], capsys).out.count("open  Q-0") == 8
    assert msgspec.json.decode(typed([*words, "--json"], capsys).out)["rounds"] == 0
