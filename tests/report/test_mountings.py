"""What a kept study says of another mounting and another rig, where nights are compared and budgets are shown."""

import dataclasses
from pathlib import Path

import msgspec
import pytest
from tests.calibration.test_study_records import STUDY
from tests.cli.terminal import typed
from tests.report.test_document import night
from tests.report.test_study import FRICTION, PLAN, measured_night, nights

from nightturn.calibration.study_records import Spread, StudiedFigure, StudyRecord
from nightturn.errors import CalibrationError, ConfigError
from nightturn.estimation.night_figure import ELSEWHERE, REMOUNTING
from nightturn.report import study_measured
from nightturn.report.compared import compared, figure_rows
from nightturn.report.mountings import newest_study, record_of, scatters
from nightturn.report.night import ReportNight
from nightturn.report.study import study_of
from nightturn.report.study_measured import matched, planned
from nightturn.settings.study import StudyPlan
from nightturn.storage.files import RealFiles
from nightturn.storage.study_files import keep_study, read_studies
from nightturn.unit_history.nights import place_of

AT = STUDY.valid_from
MOUNTING, RIG = Spread(0.004, 12.0), Spread(0.05, 2.4)


def kept(root: Path, one: ReportNight, *, rigs: tuple[str, ...] = ("pan-a1", "pan-b7")) -> StudyRecord:
    """A study of friction, of the variant and the speeds of a recorded night, below its root."""
    card, method = one.settings.card, int(one.cycles["friction_nm_method"].dropna().iloc[-1])
    record = msgspec.structs.replace(
        STUDY,
        id=f"{card.variant}/1",
        variant=card.variant,
        plan=place_of(one.settings).plan,
        rigs=(one.settings.fixture.id, *rigs[1:]),
        figures=(StudiedFigure(FRICTION, method, MOUNTING, RIG if len(rigs) > 1 else None),),
    )
    return keep_study(root, card.variant, lambda _records: record)


def elsewhere(
    found: ReportNight, *, fixture: str = "", mounted_utc: str = "", more_nm: float = 0.0
) -> ReportNight:
    """The same night as if it had been on another rig or mounting, its friction higher by so much."""
    settings = found.settings
    rig = msgspec.structs.replace(settings.fixture, id=fixture or settings.fixture.id)
    card = msgspec.structs.replace(settings.card, mounted_utc=mounted_utc or settings.card.mounted_utc)
    cycles = found.cycles.copy()
    cycles[FRICTION] += more_nm
    return dataclasses.replace(
        found, settings=msgspec.structs.replace(settings, fixture=rig, card=card), cycles=cycles
    )


def test_a_study_becomes_a_record_of_mounting_and_of_everything_but_the_unit() -> None:
    study = study_of(PLAN, matched(PLAN, nights())[0])
    record = record_of(PLAN, study, "pan15/1", kept_by="R. Vale", at_utc=AT, supersedes=None)
    (figure,), (seen,) = record.figures, study.figures
    by_words = {each.words: each for each in seen.lines}
    alone = by_words["from mounting to mounting and all that is left"]
    assert figure.remounting == Spread(alone.sd, alone.degrees)
    assert figure.elsewhere is not None
    assert figure.elsewhere.sd == seen.measuring[0]
    # two rigs: the scatter between them has one degree of freedom, and it is most of what there is
    assert 1.0 <= figure.elsewhere.nu < 3.0
    assert (len(record.runs), record.rounds, record.plan) == (32, 2, nights()[0].place.plan)


def test_one_rig_says_nothing_of_another_and_nothing_seen_is_no_record() -> None:
    plan = StudyPlan(
        variant="pan15",
        figures=[FRICTION],
        rigs=["pan-a1"],
        units=PLAN.units,
        operators=["R. Vale"],
        mountings=2,
    )
    study = study_of(plan, matched(plan, nights(plan))[0])
    record = record_of(plan, study, "pan15/1", kept_by="R. Vale", at_utc=AT, supersedes=None)
    assert record.figures[0].remounting is not None
    assert record.figures[0].elsewhere is None
    with pytest.raises(ConfigError, match="--keep: nothing is said yet: the first round of mountings is not"):
        record_of(plan, study_of(plan, matched(plan, [])[0]), "x", kept_by="R", at_utc=AT, supersedes=None)
    alike = [
        dataclasses.replace(each, cycles=each.cycles.assign(**{FRICTION: 0.08})) for each in nights(plan)
    ]
    with pytest.raises(ConfigError, match="--keep: no scatter was seen between mountings or rigs"):
        record_of(plan, study_of(plan, matched(plan, alike)[0]), "x", kept_by="R", at_utc=AT, supersedes=None)


def test_nights_on_one_mounting_differ_by_what_changed_and_by_no_mounting(
    one: ReportNight, root: Path
) -> None:
    found = night(root)
    kept(root, one)
    many = dataclasses.replace(found, mounting_means={FRICTION: [0.08, 0.09, 0.1]})
    assert scatters(many, many) == {}


def test_a_study_and_the_units_own_mountings_say_what_mounting_does_whichever_rests_on_more(
    one: ReportNight, root: Path
) -> None:
    record = kept(root, one)
    found = night(root)
    again = elsewhere(found, mounted_utc="2026-11-29T21:00:00Z")
    assert scatters(found, again)[FRICTION].source == record.source
    few = dataclasses.replace(found, mounting_means={FRICTION: [0.08, 0.09, 0.1]})
    assert scatters(few, again)[FRICTION].source == record.source
    many = dataclasses.replace(found, mounting_means={FRICTION: [0.08, 0.09] * 10})
    assert scatters(many, again)[FRICTION].source == f"20 mountings of {found.unit} on record"


def test_between_two_rigs_only_a_study_of_both_speaks_for_the_rigs(one: ReportNight, root: Path) -> None:
    kept(root, one)
    found = night(root)
    own = dataclasses.replace(found, mounting_means={FRICTION: [0.08, 0.09] * 10})
    assert scatters(own, elsewhere(found, fixture="pan-b7"))[FRICTION].word == ELSEWHERE
    assert scatters(own, elsewhere(found, fixture="pan-z9"))[FRICTION].word == REMOUNTING


def test_a_difference_within_what_another_rig_does_is_not_called_real(one: ReportNight, root: Path) -> None:
    record = kept(root, one)
    found = night(root)
    other = elsewhere(found, fixture="pan-b7")
    kinds = {line.figure: line.word for line in compared(found, other).figures}
    assert ELSEWHERE not in kinds.values()  # the same values: nothing to explain
    spread = scatters(found, other)[FRICTION]
    assert (spread.sd, spread.nu, spread.source) == (RIG.sd, RIG.nu, record.source)
    text = {line.figure: words for line, words in figure_rows(compared(found, other))}
    assert text[FRICTION].endswith("no difference is shown")


def test_a_budget_names_the_study_beside_the_figure_and_how_wide_it_were_with_it(
    one: ReportNight, root: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def shown() -> str:
        return " ".join(typed(["runs", str(root), "latest", "--budget"], capsys).out.split())

    assert "another mounting" not in shown()
    record = kept(root, one)
    text = shown()
    assert text.count("another mounting 4 mN·m not in ±") == 1
    assert text.count("another rig 50 mN·m not in ±") == 1
    assert f"{record.source}: ±" in text
    found = msgspec.json.decode(typed(["runs", str(root), "latest", "--budget", "--json"], capsys).out)
    friction = next(each for each in found[0]["figures"] if each["figure"] == FRICTION)
    assert [(line["name"], line["u"]) for line in friction["beyond"]] == [
        ("another mounting", MOUNTING.sd),
        ("another rig", RIG.sd),
    ]
    assert all(line["name"] != "another rig" for line in friction["lines"])


def test_the_command_keeps_a_study_once_more_as_the_next_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    by_unit = {
        unit: [measured_night(each, number) for number, each in enumerate(planned(PLAN)) if each.unit == unit]
        for unit in PLAN.units
    }
    monkeypatch.setattr(study_measured, "nights_of", lambda _root, unit, _columns: (by_unit[unit], ()))
    path = tmp_path / "study.toml"
    lines = [f"{key} = {msgspec.json.encode(getattr(PLAN, key)).decode()}" for key in PLAN.__struct_fields__]
    path.write_text("\n".join(line for line in lines if not line.endswith("{}")))
    words = ["study", str(path), str(tmp_path), "--keep", "R. Vale"]
    assert "kept as study pan15/1 of " in typed(words, capsys).out
    again = msgspec.json.decode(typed([*words, "--json"], capsys).out)["kept"]
    assert (again["id"], again["supersedes"], again["kept_by"]) == ("pan15/2", "pan15/1", "R. Vale")
    newest = newest_study(RealFiles(tmp_path), "pan15")
    assert newest is not None
    assert newest.id == "pan15/2"
    assert newest_study(RealFiles(tmp_path), "pan20") is None


def test_a_torn_last_line_was_never_in_force_and_damage_is_said(tmp_path: Path) -> None:
    keep_study(tmp_path, "pan15", lambda _records: STUDY)
    file = tmp_path / "studies" / "pan15.jsonl"
    whole = file.read_bytes()
    file.write_bytes(whole + whole[:40])
    assert read_studies(RealFiles(tmp_path), "pan15") == (STUDY,)
    file.write_bytes(whole.replace(b"0.0005", b"0.0004"))
    with pytest.raises(CalibrationError, match="the line fails its checksum"):
        read_studies(RealFiles(tmp_path), "pan15")
    file.write_bytes(b"\xff\xfe\n")
    with pytest.raises(CalibrationError, match="restore the file from a copy"):
        read_studies(RealFiles(tmp_path), "pan15")
