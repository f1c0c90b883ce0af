"""How means of one unit scatter from mounting to mounting and from rig to rig: by its own nights, or by a study that was kept.

What is measured of a unit holds for the mounting that it was measured on. Two mountings differ by more, and the ± of neither knows by how much.
"""

from collections.abc import Iterator, Mapping
from datetime import datetime

from nightturn.calibration.study_records import ELSEWHERE_MIN, Spread, StudiedFigure, StudyRecord
from nightturn.errors import ConfigError
from nightturn.estimation.night_figure import ELSEWHERE, REMOUNTING, Scatter, remounting
from nightturn.fixture.stream import RunSettings
from nightturn.model.figures import BudgetLine
from nightturn.report.night import ReportNight
from nightturn.report.study import FigureOfStudy, Study
from nightturn.settings.study import StudyPlan
from nightturn.storage.study_files import read_studies
from nightturn.unit_history.nights import place_of
from nightturn.world import ReadFiles

ANOTHER_MOUNTING, ANOTHER_RIG = "another mounting", "another rig"


def scatters(one: ReportNight, other: ReportNight) -> Mapping[str, Scatter]:
    """By figure what two nights may differ by without a difference between the units; empty on one and the same mounting.

    From rig to rig only a study of these rigs can say it. Else, and where there is none, the mountings of either unit or a study
    say what mounting does, whichever rests on more.

    Raises:
        CalibrationError: the file of the studies is damaged.
    """
    if same_mounting(one, other):
        return {}
    found: dict[str, Scatter] = {}
    for night in (one, other):
        for name, means in night.mounting_means.items():
            own = remounting(means, f"{len(means)} mountings of {night.unit} on record")
            if own is not None:
                _take(found, name, own)
    rigs = {night.settings.fixture.id for night in (one, other)}
    for night in (one, other):
        record = newest_study(night.run.stored, night.settings.card.variant)
        if record is None:
            continue
        afar = len(rigs) > 1 and rigs <= set(record.rigs)
        for each in _of_night(record, night):
            spread = each.elsewhere if afar else each.remounting
            if spread is not None:
                word = ELSEWHERE if afar else REMOUNTING
                _take(found, each.figure, Scatter(spread.sd, spread.nu, word, record.source))
    return found


def same_mounting(one: ReportNight, other: ReportNight) -> bool:
    """Whether nobody touched the unit between two nights."""
    ours, theirs = (place_of(night.settings) for night in (one, other))
    same = (ours.fixture, ours.mounted_utc) == (theirs.fixture, theirs.mounted_utc)
    return same and one.unit == other.unit


def newest_study(files: ReadFiles, variant: str) -> StudyRecord | None:
    """The study of a variant that was kept last.

    Raises:
        CalibrationError: the file of the studies is damaged.
    """
    records = read_studies(files, variant) if variant else ()
    return records[-1] if records else None


def lines_beyond(
    record: StudyRecord, settings: RunSettings, figure: str, method: int | None
) -> tuple[BudgetLine, ...]:
    """What a study adds to a figure where the unit is mounted again, or measured on another rig; not in the ± of what was measured.

    Nothing for a rig that was not in the study, at another speed or torque, and by another version of the method.
    """
    place = place_of(settings)
    known = record.figure(figure, method, place.plan) if place.fixture in record.rigs else None
    if known is None:
        return ()
    pairs = ((ANOTHER_MOUNTING, known.remounting), (ANOTHER_RIG, known.elsewhere))
    return tuple(
        BudgetLine(name, spread.sd, spread.nu, common=True, source=record.source)
        for name, spread in pairs
        if spread is not None
    )


def record_of(
    plan: StudyPlan, study: Study, name: str, *, kept_by: str, at_utc: datetime, supersedes: str | None
) -> StudyRecord:
    """What a study found, as a record that budgets and comparisons rest on.

    Args:
        plan: as the person wrote it.
        study: as far as it has gone; whole rounds count.
        name: its id.
        kept_by: who says that it holds.
        at_utc: from when.
        supersedes: the study of the variant before it.

    Raises:
        ConfigError: nothing is said yet, or nothing that a record keeps.
    """
    used = [each for each in study.measured if each.mounting.number <= study.rounds]
    if study.waits:
        raise ConfigError(
            study.waits, where="--keep", allowed="a study with a whole round that can be judged"
        )
    methods = used[0].methods
    figures = tuple(
        _kept(plan, each, methods[each.figure]) for each in study.figures if each.figure in methods
    )
    if not any(each.remounting or each.elsewhere for each in figures):
        raise ConfigError(
            "no scatter was seen between mountings or rigs",
            where="--keep",
            allowed="a study that says what remounting or another rig does",
        )
    return StudyRecord(
        id=name,
        variant=plan.variant,
        plan=used[0].plan,
        rigs=tuple(plan.rigs),
        operators=tuple(dict.fromkeys(each.mounting.operator for each in used)),
        units=tuple(dict.fromkeys(each.mounting.unit for each in used)),
        rounds=study.rounds,
        runs=tuple(run for each in used for run in each.runs),
        figures=figures,
        kept_by=kept_by,
        valid_from=at_utc,
        supersedes=supersedes,
    )


def _kept(plan: StudyPlan, found: FigureOfStudy, method: int) -> StudiedFigure:
    elsewhere = _spread(found.elsewhere) if len(plan.rigs) >= ELSEWHERE_MIN else None
    return StudiedFigure(found.figure, method, _spread(found.remounting), elsewhere)


def _spread(known: tuple[float, float] | None) -> Spread | None:
    """None where nothing was seen: that is not the same as nothing being there."""
    return None if known is None or known[0] <= 0 else Spread(*known)


def _of_night(record: StudyRecord, night: ReportNight) -> Iterator[StudiedFigure]:
    """What a study says of the figures of a night, as they were measured."""
    plan = place_of(night.settings).plan
    for each in record.figures:
        column = night.cycles.get(f"{each.figure}_method")
        known = None if column is None else column.dropna()
        if known is not None and len(known):
            found = record.figure(each.figure, int(known.iloc[-1]), plan)
            if found is not None:
                yield found


def _take(found: dict[str, Scatter], name: str, new: Scatter) -> None:
    """The one that holds for what differs, and of two the one that rests on more."""
    old = found.get(name)
    if old is None or (new.word == ELSEWHERE, new.nu) > (old.word == ELSEWHERE, old.nu):
        found[name] = new
