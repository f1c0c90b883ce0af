"""`nightturn runs`: which runs lie under a data root, their state, and the night's verdict on each."""

from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson, Endpoint

if TYPE_CHECKING:
    from nightturn.storage.runs import RunSummary
    from nightturn.storage.stored import Stored

EXAMPLE = "nightturn runs nights latest"


Root = Annotated[
    str, typer.Argument(help="The data root: `data` in bench.toml; or s3://BUCKET/PREFIX of `push`.")
]
RunId = Annotated[
    str, typer.Argument(metavar="[RUN]", help="One run by its id, or latest: the night's verdict on it.")
]
Unit = Annotated[str | None, typer.Option("--unit", metavar="SERIAL", help="Only runs of this unit.")]
Budget = Annotated[
    bool, typer.Option("--budget", help="For one RUN: the uncertainty budgets of its last cycle.")
]
Orders = Annotated[
    bool,
    typer.Option("--orders", help="For one RUN: the orders of its last cycle and where each comes from."),
]
CycleNo = Annotated[
    int | None,
    typer.Option("--cycle", metavar="N", help="With --budget or --orders: of this cycle, not the last."),
]


def run(
    root: Root,
    run_id: RunId = "",
    *,
    unit: Unit = None,
    budget: Budget = False,
    orders: Orders = False,
    cycle: CycleNo = None,
    endpoint: Endpoint = "",
    as_json: AsJson = False,
) -> None:
    """List every run under a data root or in an object store, the newest first; for one RUN also the night's verdict, limit by limit.

    Of an object store it lists what `push` copied there; a run that is not whole is named and not counted, and asked for by its id ends
    with 3, as does a store that cannot be reached or refuses.

    With --budget a table for each figure instead: every line of its uncertainty with its share of the whole and where it is known from. A line
    that is common is alike in all cycles of the run, so that more cycles do not make it smaller. With --orders a table each for ripple and
    cogging: every order's peak, its standard uncertainty, its phase at the encoder's zero and its origin.

    The verdict counts every judged cycle of the run. For one RUN it decides the exit code: 1 on reject, else 0, also while it is undecided.
    """
    from nightturn.cli.output import print_json
    from nightturn.model.verdicts import REJECT
    from nightturn.storage.runs import found_runs, list_runs
    from nightturn.storage.stored import stored_at

    _check_options(run_id, cycle, unit, budget=budget, orders=orders)
    place = stored_at(root, endpoint)
    found = found_runs(place, run_id) if run_id else list_runs(place, unit)
    if budget:
        _budgets(place, found, cycle, as_json=as_json)
    elif orders:
        _orders(place, found, cycle, as_json=as_json)
    elif as_json:
        print_json(found)
    else:
        for each in found:
            _print(each, whole=bool(run_id), see="" if place.local is None else "; see `verify`")
        if not found:
            typer.echo(f"{root} contains no runs" + (f" of unit {unit}" if unit else ""))
    if run_id and any(each.night_verdict is not None and each.night_verdict.word == REJECT for each in found):
        raise typer.Exit(1)


def _check_options(run_id: str, cycle: int | None, unit: str | None, *, budget: bool, orders: bool) -> None:
    """Budgets and orders are of one run, one of the two at a time, as a cycle's number is; a unit chooses among several runs."""
    from nightturn.errors import ConfigError

    if budget and orders:
        raise ConfigError("is given together with --budget", where="--orders", allowed="one of the two")
    for given, name in ((budget, "--budget"), (orders, "--orders")):
        if given and not run_id:
            raise ConfigError("is of one run", where=name, allowed="a RUN by its id, or latest")
    if unit is not None and run_id:
        raise ConfigError("chooses among all runs", where="--unit", allowed="only without RUN")
    if cycle is not None and not (budget or orders):
        raise ConfigError(
            "chooses the cycle of a budget or of orders",
            where="--cycle",
            allowed="only with --budget or --orders",
        )


def _orders(place: "Stored", found: "list[RunSummary]", cycle: int | None, *, as_json: bool) -> None:
    """The order tables of a cycle of each run."""
    from nightturn.cli import orders_text
    from nightturn.cli.output import print_json, print_table
    from nightturn.storage.reader import Run

    tables = [orders_text.orders_of(Run(place, each.fixture, each.run), cycle) for each in found]
    if as_json:
        print_json(tables)
        return
    for each in tables:
        typer.echo(f"{each.fixture}  {each.run}  cycle {each.cycle_no}")
        for title, table, status in (
            ("ripple", each.ripple, each.ripple_status),
            ("cogging", each.cogging, each.cogging_status),
        ):
            if table:
                print_table(title, orders_text.HEAD, orders_text.order_rows(table))
            else:
                typer.echo(f"{title}: {orders_text.none_text(status)}")


def _budgets(place: "Stored", found: "list[RunSummary]", cycle: int | None, *, as_json: bool) -> None:
    """The budgets of a cycle of each run."""
    from nightturn.cli import budget_text
    from nightturn.cli.output import print_json, print_table, print_text
    from nightturn.storage.reader import Run

    budgets = [budget_text.budget_of(Run(place, each.fixture, each.run), cycle) for each in found]
    if as_json:
        print_json(budgets)
        return
    for each in budgets:
        typer.echo(f"{each.fixture}  {each.run}  cycle {each.cycle_no}")
        if each.filter:
            print_text(each.filter)
        for figure in each.figures:
            rows = budget_text.rows(figure)
            if rows:
                print_table(budget_text.title(figure), budget_text.HEAD, rows)
            else:
                typer.echo(budget_text.title(figure))


def _print(each: "RunSummary", *, whole: bool, see: str) -> None:
    from nightturn.cli.night_text import word
    from nightturn.cli.output import print_text
    from nightturn.storage.zones import local_text

    state = f"{each.state}, kept" if each.kept else each.state
    started = local_text(round(each.started_utc.timestamp()) * 10**9, each.timezone)
    typer.echo(f"{each.fixture}  {each.run}  {state}")
    print_text(f"unit {each.unit or '-'}, variant {each.variant or '-'}, started {started}", "  ")
    was = "was " if each.state == "interrupted" else ""
    motion = f"motion {was}{each.motion}, " if each.motion else ""
    samples = "raw samples cleared" if "raw" in each.cleared else f"{each.samples} samples"
    figures = "figures cleared" if "figures" in each.cleared else f"{each.cycles} cycles"
    gaps = "" if "figures" in each.cleared else f", {each.gaps} gaps"
    print_text(f"{motion}{figures}, {samples}{gaps}", "  ")
    if each.unreadable:
        print_text(f"{len(each.unreadable)} damaged, not counted: {each.unreadable[0]}{see}", "  ")
    if each.redated:
        print_text(each.redated, "  ")
    if whole:
        _print_night(each)
    else:
        print_text(word(each.night_verdict, ended=each.state == "ended"), "  ")


def _print_night(each: "RunSummary") -> None:
    """The night's verdict, a row for each limit and a row for each reason."""
    from nightturn.cli import night_text
    from nightturn.cli.output import print_pairs, print_table, print_text

    ended, verdict = each.state == "ended", each.night_verdict
    if verdict is None:
        print_text(f"{night_text.word(verdict, ended=ended)} by the version that recorded the run", "  ")
        return
    if verdict.limits:
        print_table(night_text.title(verdict, ended=ended), night_text.HEAD, night_text.limit_rows(verdict))
    print_pairs(
        "why" if verdict.limits else night_text.title(verdict, ended=ended), night_text.because(verdict)
    )
