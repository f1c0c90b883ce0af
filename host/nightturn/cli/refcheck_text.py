"""How `refcheck` answers: a lever's findings, a reference unit's charts, a rig record."""

import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec
import typer

from nightturn.bench.runs import calibration_in_force
from nightturn.calibrate.lever import CAUTION, keep_check, lever_findings
from nightturn.calibrate.made import Given, lever_of
from nightturn.calibrate.rig import from_arbor, from_reindexing
from nightturn.calibration.lever_check import Hung, passed
from nightturn.calibration.records import certificate_of
from nightturn.calibration.reference_checks import checks_of
from nightturn.calibration.rig_records import file_of, rig_record_text
from nightturn.capture.asked import Asked
from nightturn.cli.output import HANG, print_json, print_pairs, print_table, print_text
from nightturn.errors import ConfigError
from nightturn.model.certificates import standard
from nightturn.settings.load import data_root, load_rig
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.validate import fixture_named
from nightturn.unit_history.reference import Reference, chart_rows, reference_of

WAYS = "one of --unit, --lever, --arbor and --reindex"
COLUMNS = ("time", "torque", "angle")


def answered(options: Mapping[str, Any]) -> None:
    """Do what was asked in one of the ways, and print it.

    Raises:
        ConfigError: none of them, several, or what one of them needs is not given.
    """
    ways = [
        name for name in ("unit", "lever", "arbor", "reindex") if options[name] not in ("", None, False, [])
    ]
    if len(ways) != 1:
        raise ConfigError(f"{len(ways)} ways to check are given", where="refcheck", allowed=WAYS)
    place, as_json = Path(options["place"]), bool(options["as_json"])
    now = datetime.fromtimestamp(time.time_ns() // 1_000_000_000, UTC)
    if ways == ["unit"]:
        _unit(place, str(options["unit"]), as_json=as_json)
        return
    rig = load_rig(place)
    fixture = fixture_named(rig, str(options["fixture"]), str(place))
    root = data_root(place, rig)
    if ways == ["lever"]:
        _lever(root, fixture, options, now)
    else:
        _rig(root, fixture, options, now)


def _unit(root: Path, serial: str, *, as_json: bool) -> None:
    found = reference_of(root, serial)
    if as_json:
        print_json(found)
    else:
        _print_charts(found)
    if found.moved:
        raise typer.Exit(1)


def _print_charts(found: Reference) -> None:
    """What the rigs say together, then each chart."""
    judged = sum(each.centre is not None for each in found.charts)
    verdict = f"{found.serial}: nothing has moved" if judged else f"{found.serial}: nothing is judged yet"
    for text in found.said or (verdict,):
        print_text(text, hang="  ")
    if found.charts:
        print_pairs("charts", chart_rows(found))
    for text in found.unread:
        print_text(text, hang="  ")


def _lever(root: Path, fixture: FixtureSettings, options: Mapping[str, Any], now: datetime) -> None:
    """Caution, findings, and where they are kept."""
    as_json, file = bool(options["as_json"]), Path(options["lever"])
    if not as_json:
        print_text(CAUTION, hang=HANG)
    record = calibration_in_force(root, fixture, round(now.timestamp()) * 10**9)
    certificate = certificate_of(record)
    u_factor = 0.0 if certificate is None else standard(certificate.factor_rel)
    hung = _hung(options, fixture, root, u_factor)
    columns = {role: str(options[role]) for role in COLUMNS if options[role] is not None}
    asked = Asked(
        columns=columns,
        rated_nm=hung.torque_nm,
        rate_hz=options["rate"],
        counts=options["counts"],
        start_s=options["start"],
        stop_s=options["stop"],
        delimiter=options["delimiter"],
        decimal=options["decimal"],
    )
    findings = lever_findings(file, asked, record, fixture, hung)
    check = keep_check(root, fixture, record, findings, by=str(options["by"]), now=now)
    path = root / checks_of(fixture.id)
    if as_json:
        print_json({"caution": CAUTION, "path": path, "check": check, "findings": findings})
    else:
        title = f"{fixture.id}: {'the lever proves the rig' if check.passed else 'not proven'}, torque by {record.id}"
        print_table(title, ("what", "is", "found"), [(each.what, each.state, each.said) for each in findings])
        print_text(f"reference check {check.id} appended to {path}", hang=HANG)
    if not passed(findings):
        raise typer.Exit(1)


def _hung(options: Mapping[str, Any], fixture: FixtureSettings, root: Path, u_factor: float) -> Hung:
    """What hangs, from the options.

    Raises:
        ConfigError: one that is needed is not given.
    """
    needed = ("by", "mass", "arm", "level", "down")
    missing = [f"--{name}" for name in needed if options[name] in (None, "")]
    if missing:
        raise ConfigError(
            f"{' and '.join(missing)} not given",
            where="refcheck --lever",
            allowed="a signed check of a mass on an arm, and where it was level and hung free",
        )
    if not 0 < options["mass"] < 1000:
        raise ConfigError(f"--mass {options['mass']} is no mass to hang", allowed="kg, such as 2.0")
    if not 0 < options["allow"] <= 5:
        raise ConfigError(f"--allow {options['allow']} decides nothing", allowed="above 0 to 5, in %")
    own = {name: options[name] for name in Given.__struct_fields__ if options.get(name) is not None}
    lever = lever_of(
        msgspec.convert({**own, "transducer": fixture.transducer.serial, "data": root, "tilt_u": 0.0}, Given)
    )
    assert lever is not None
    u_rel = sum(part**2 for part in lever.parts_rel().values()) ** 0.5
    return Hung(
        lever.torque_nm(options["mass"]),
        u_rel,
        options["level"],
        options["down"],
        options["level_u"],
        u_factor,
        options["allow"] / 100.0,
    )


def _rig(root: Path, fixture: FixtureSettings, options: Mapping[str, Any], now: datetime) -> None:
    """The rig record, and where it is kept."""
    runs, blind = list(options["runs"] or ()), tuple[int, ...]()
    if options["arbor"]:
        if len(runs) != 1:
            raise ConfigError(
                f"{len(runs)} runs are named", where="refcheck --arbor", allowed="one --run RUN"
            )
        record = from_arbor(root, fixture, runs[0], now)
    else:
        turned, u_turned = list(options["reindex"]), float(options["reindex_u"])
        record, blind = from_reindexing(root, fixture, runs, turned, u_turned, now)
    path = root / file_of(fixture.id)
    if options["as_json"]:
        print_json({"path": path, "record": record, "cannot_part": blind})
        return
    print_text(rig_record_text(record), hang=HANG)
    if blind:
        print_text(
            f"no angle given parts orders {', '.join(map(str, blind))}: add a mounting at another angle",
            hang=HANG,
        )
    print_text(f"appended to {path}; figures of runs that begin from now on are net by it", hang=HANG)
