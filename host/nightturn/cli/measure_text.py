"""A measurement from its question to what is printed of it."""

from dataclasses import dataclass
from pathlib import Path

import msgspec
import typer

from nightturn.capture.drawing import write_picture
from nightturn.cli import budget_text
from nightturn.cli.at_terminal import AtTerminal
from nightturn.cli.output import HANG, print_json, print_table, print_text
from nightturn.daemon.alone import daemon_for
from nightturn.daemon.control_client import new_request
from nightturn.daemon.control_protocol import MOUNT, Request
from nightturn.daemon.errand import Errand
from nightturn.daemon.mounting import card_of
from nightturn.daemon.planned import cycle_s_of
from nightturn.errors import ConfigError
from nightturn.estimation.budget import shares_pct
from nightturn.estimation.figures import COGGING_PP, FIGURES, FRICTION, RIPPLE_PP, unit_of
from nightturn.estimation.quantiles import coverage_factor
from nightturn.model.figures import Figure
from nightturn.model.quantities import interval, quantity
from nightturn.model.tasks import REACHED, MeasureTask, Standing
from nightturn.report.measurement import Measurement, measurement_of
from nightturn.settings.load import data_root, load_rig
from nightturn.settings.mistakes import raise_mistakes
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.tasks import under_task
from nightturn.settings.validate import card_mistakes, fixture_named
from nightturn.storage.runs import found_runs, open_run
from nightturn.trend.series import FOLLOWED

CYCLES, CYCLES_UNTIL = 2, 20
UNTIL_PCT_MIN, UNTIL_PCT_MAX = 0.01, 50.0
FIGURES_OF = {"ripple": RIPPLE_PP, "cogging": COGGING_PP, "friction": FRICTION}


@dataclass(frozen=True, slots=True)
class Asked:
    """What was typed."""

    unit: str
    variant: str
    operator: str
    figures: tuple[str, ...]
    until: str
    cycles: int | None
    warm: bool
    travel_zero: bool


def until_pct_of(text: str) -> float | None:
    """`1%`, `1 %` or `1` in per cent; None for nothing.

    Raises:
        ConfigError: it is none of them.
    """
    if not text:
        return None
    try:
        pct = float(text.strip().removesuffix("%"))
    except ValueError:
        pct = 0.0
    if not UNTIL_PCT_MIN <= pct <= UNTIL_PCT_MAX:
        raise ConfigError(
            f"{text!r} is no ±", where="--until", allowed="per cent of the value, from 0.01% to 50%"
        )
    return pct


def task_of(asked: Asked, settings: FixtureSettings) -> MeasureTask:
    """The task of a card.

    Raises:
        ConfigError: the plan cannot give a figure that is wanted.
    """
    for name in asked.figures:
        if name not in FIGURES_OF:
            raise ConfigError(f"{name!r} is not one", where="--figure", allowed=", ".join(FIGURES_OF))
    hold = settings.plan.hold is not None
    if "ripple" in asked.figures and not hold:
        allowed = "[fixture.plan.hold] in the rig file, or cogging and friction"
        raise ConfigError("ripple needs a hold, which the plan lacks", where="--figure", allowed=allowed)
    names = asked.figures or tuple(name for name in FIGURES_OF if hold or name != "ripple")
    until = until_pct_of(asked.until)
    most = asked.cycles or (CYCLES if until is None else CYCLES_UNTIL)
    figures = tuple(FIGURES_OF[name] for name in dict.fromkeys(names))
    return MeasureTask(figures=figures, until_pct=until, cycles=most, warm=asked.warm)


def measured(bench: Path, fixture: str, asked: Asked, out: Path | None, *, as_json: bool) -> bool:
    """Measure, print what came of it and write the picture; whether every figure has what was wanted.

    Raises:
        NightturnError: nothing was measured; its words say why.
    """
    rig = load_rig(bench, figures=FIGURES, followed=FOLLOWED)
    settings = fixture_named(rig, fixture, str(bench))
    root = data_root(bench, rig)
    request = _request(asked, task_of(asked, settings), fixture)
    card = card_of(request, 0)
    raise_mistakes(card_mistakes(fixture, card))
    person = AtTerminal(quiet=as_json)
    turned = under_task(settings, card)
    cycle_s = cycle_s_of(turned, card, bench)
    most = f"up to {turned.plan.cycles} cycles of {quantity(cycle_s / 60, 'min', digits=2)}"
    person.say(f"{fixture}: {most}, slow turns both ways{', then the hold' if turned.plan.hold else ''}")
    with daemon_for(bench, root, fixture) as own:
        person.say(f"measured by {'a daemon for this fixture alone' if own else 'the daemon that runs here'}")
        run = Errand(root, request, person).carry_out()
    summary = next(each for each in found_runs(root, run) if each.fixture == fixture)
    found = measurement_of(open_run(root, fixture, run), summary)
    picture = out or Path(f"{fixture}-{run}.svg")
    if found.picture is not None:
        write_picture(picture, found.picture)
    show_measured(found, root, picture if found.picture is not None else None, as_json=as_json)
    return all(_good(each) for each in found.figures)


def _request(asked: Asked, task: MeasureTask, fixture: str) -> Request:
    request = new_request(MOUNT, fixture, asked.operator, unit=asked.unit)
    return msgspec.structs.replace(
        request,
        variant=asked.variant,
        travel_zero=asked.travel_zero,
        task=msgspec.structs.replace(task, request=request.id),
    )


def _good(each: Standing) -> bool:
    return each.value is not None and (each.wanted is None or each.word == REACHED)


def show_measured(found: Measurement, root: Path, picture: Path | None, *, as_json: bool) -> None:
    """Print what a measurement gave."""
    (_show_json if as_json else _show)(found, root, picture)


def _show(found: Measurement, root: Path, picture: Path | None) -> None:
    """The figures, how warm it was, and what each ± is made of."""
    print_text(f"{found.unit} ({found.variant}), run {found.run}: {found.ended}", hang=HANG)
    print_text(found.warmth, hang=HANG)
    head = ("figure", "value", f"of {quantity(found.rated_nm, 'N·m')}", "cycles", "wanted")
    print_table("figures, each with its 95 % interval", head, [_row(each, found) for each in found.figures])
    for each in found.figures:
        if not _good(each):
            print_text(each.said, hang=HANG)
    for figure in found.whole:
        if figure is not None:
            budget = _budget(figure)
            print_table(budget_text.title(budget), budget_text.HEAD, budget_text.rows(budget))
    if picture is not None:
        typer.echo(f"picture: {picture}")
    print_text(f"kept as a run of its own; more of it: nightturn report {root} {found.run}", hang=HANG)


def _row(each: Standing, found: Measurement) -> tuple[str, str, str, str, str]:
    unit, cycles = unit_of(each.figure), str(each.judged)
    if each.value is None or each.half is None:
        return each.figure, "no value", "", cycles, each.word
    value = interval(each.value, each.half, unit)
    share, half = (100 * part / found.rated_nm for part in (each.value, each.half))
    share_text = f"{interval(share, half, '%').partition(' ±')[0]} %"
    wanted = "" if each.wanted is None else f"± {quantity(each.wanted, unit, beside=each.half)}: {each.word}"
    return each.figure, value, share_text, cycles, wanted


def _budget(figure: Figure) -> budget_text.FigureBudget:
    assert figure.u is not None
    assert figure.nu is not None
    return budget_text.FigureBudget(
        figure.name,
        unit_of(figure.name),
        figure.value,
        coverage_factor(figure.nu) * figure.u,
        figure.u,
        figure.nu,
        figure.kind,
        figure.budget,
        shares_pct(figure.budget),
    )


def _show_json(found: Measurement, root: Path, picture: Path | None) -> None:
    """The same for machines."""
    print_json(
        {
            "root": str(root),
            "run": found.run,
            "unit": found.unit,
            "variant": found.variant,
            "ended": found.ended,
            "warmth": found.warmth,
            "rated_torque_nm": found.rated_nm,
            "figures": found.figures,
            "budgets": [_budget(each) for each in found.whole if each is not None],
            "picture": None if picture is None else str(picture),
        }
    )
