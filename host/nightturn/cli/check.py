"""`nightturn check`: the outlook of every fixture, and everything that speaks against it."""

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nightturn.cli.arguments import AsJson, BenchFile, Overrides
from nightturn.errors import ConfigError

if TYPE_CHECKING:
    from nightturn.cli.calibration_text import Calibrated
    from nightturn.outlook.plan import Outlook
    from nightturn.outlook.watch_outlook import WatchOutlook
    from nightturn.settings.rig import Rig

EXAMPLE = "nightturn check bench.toml --variant pan15"

VariantName = Annotated[
    str,
    typer.Option("--variant", help="Only this variant; otherwise the one mounted, or every one there is."),
]


def run(
    bench: BenchFile, *, variant: VariantName = "", overrides: Overrides = None, as_json: AsJson = False
) -> None:
    """Read a rig file and its variants, and print what a night on each fixture will be.

    Nothing is opened and nothing turns. All mistakes that can be found in one pass are reported together, each with
    file, table, key, value and what is allowed. A warning does not fail the check.
    """
    from nightturn.bench.room import before_a_night
    from nightturn.bench.worlds import RealClock
    from nightturn.cli.calibration_text import calibration_row, decidable_rows, rig_row
    from nightturn.cli.outlook_text import outlook_rows, watch_rows
    from nightturn.cli.output import print_json, print_pairs
    from nightturn.cli.release_text import release_lacks, release_text
    from nightturn.estimation.figures import FIGURES
    from nightturn.motion.interlocks import unwired
    from nightturn.settings.load import data_root, load_rig
    from nightturn.settings.mistakes import raise_mistakes
    from nightturn.trend.series import FOLLOWED

    now_ns = RealClock().utc_ns()
    rig = load_rig(bench, overrides or (), figures=frozenset(FIGURES), followed=FOLLOWED)
    calibrated = {fixture.id: calibration_row(bench, rig, fixture, now_ns) for fixture in rig.fixture}
    rigs = {fixture.id: rig_row(bench, rig, fixture, now_ns) for fixture in rig.fixture}
    disk = before_a_night(data_root(bench, rig), rig.bench.fsync)
    watches = _watches(bench, rig)
    missing_wires = {fixture.id: unwired(fixture) for fixture in rig.fixture}
    seen = _outlooks(bench, rig, variant, calibrated)
    lacks = {each[:2]: release_lacks(bench, rig, *each[:2], calibrated[each[0]], now_ns) for each in seen}
    if as_json:
        named = [_named(*each, missing_wires, calibrated, rigs, disk) for each in seen]
        print_json(
            [
                {**one, "watch": watches[each[0]], "release_lacks": lacks[each[:2]]}
                for one, each in zip(named, seen, strict=True)
            ]
        )
    else:
        for fixture, name, found in seen:
            rows = [*outlook_rows(found, now_ns, rig.bench.timezone), *watch_rows(watches[fixture])]
            rows += [*calibrated[fixture].rows, *rigs[fixture].rows]
            rows.append(("release", release_text(lacks[fixture, name])))
            rows += decidable_rows(found.decidable)
            against = (("not wired", missing_wires[fixture]), ("disk", disk))
            print_pairs(f"{fixture} with {name}", [*rows, *(each for each in against if each[1])])
    wrong = _mistakes(bench, rig, calibrated, rigs)
    raise_mistakes([*wrong, *(error for _, _, found in seen for error in found.errors)])


def _watches(bench: Path, rig: "Rig") -> dict[str, "WatchOutlook"]:
    """The watch of each fixture."""
    from nightturn.outlook.watch_outlook import check_rate, watch_outlook

    check_rate(rig, str(bench))
    rate, fixtures = rig.bench.false_alarms_per_night, len(rig.fixture)
    return {fixture.id: watch_outlook(fixture, fixtures, rate) for fixture in rig.fixture}


def _outlooks(
    bench: Path, rig: "Rig", variant: str, calibrated: Mapping[str, "Calibrated"]
) -> list[tuple[str, str, "Outlook"]]:
    """Each fixture with each variant that is asked for."""
    from nightturn.estimation.figures import FIGURES
    from nightturn.outlook.plan import outlook
    from nightturn.settings.load import variant_path, variants_for

    return [
        (
            fixture.id,
            product.name,
            outlook(
                fixture,
                product,
                str(bench),
                str(variant_path(bench.parent, product.name)),
                calibrated[fixture.id].certificate,
            ),
        )
        for fixture in rig.fixture
        for product in variants_for(bench, rig, fixture.id, variant, figures=frozenset(FIGURES))
    ]


def _mistakes(
    bench: Path, rig: "Rig", calibrated: Mapping[str, "Calibrated"], rigs: Mapping[str, "Calibrated"]
) -> Iterator[ConfigError]:
    """What is wrong beside the rig file, whatever the variant."""
    from nightturn.settings.load import calibration_mistakes

    yield from _virtual_mistakes(bench, rig)
    yield from _page_mistakes(bench, rig)
    yield from calibration_mistakes(bench, rig)
    yield from (each.mistake for some in (calibrated, rigs) for each in some.values() if each.mistake)


def _named(
    fixture: str,
    variant: str,
    outlook: "Outlook",
    missing_wires: Mapping[str, str],
    calibrated: Mapping[str, "Calibrated"],
    rigs: Mapping[str, "Calibrated"],
    disk: str,
) -> dict[str, object]:
    """What is said of a fixture with a variant, for machines."""
    return {
        "fixture": fixture,
        "variant": variant,
        "not_wired": missing_wires[fixture],
        "interval": calibrated[fixture].kind,
        "of_rig": rigs[fixture].kind,
        "disk": disk,
        "outlook": outlook,
    }


def _page_mistakes(bench: Path, rig: "Rig") -> Iterator[ConfigError]:
    """What would keep `serve` from its page, which at night would be a line of the log."""
    from nightturn.settings.load import data_root

    if rig.web is None:
        return
    from nightturn.daemon.page import listens_at, tls_of

    try:
        listens_at(rig.web, tls_of(bench, rig.web), data_root(bench, rig))
    except ConfigError as error:
        yield ConfigError(error.what, where=f"{bench}, {error.where}", allowed=error.allowed)


def _virtual_mistakes(bench: Path, rig: "Rig") -> Iterator[ConfigError]:
    """Virtual fixtures that do not exist, or not like that."""
    from nightturn.settings.mistakes import Place, shown
    from nightturn.virtual.catalogue import PREFIX, from_spec

    for fixture in rig.fixture:
        if not fixture.port.startswith(PREFIX):
            continue
        try:
            from_spec(fixture.port)
        except ConfigError as error:
            place = Place(str(bench)).inside("fixture").entry(fixture.id, named=True)
            yield place.mistake("port", f"{shown(fixture.port)}: {error.what}", error.allowed)
