"""How `calibrate` answers: what the readings say, what enters the record, where it is."""

import time
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import typer

from nightturn.calibrate.guided import ask_readings
from nightturn.calibrate.keeping import records_file
from nightturn.calibrate.made import Given, from_certificate, from_readings, lever_of
from nightturn.calibration.classes import Classes, class_text, parse_classes
from nightturn.calibration.due import validity_text
from nightturn.calibration.records import CalibrationRecord, certificate_of
from nightturn.calibration.series import Calibrated, said
from nightturn.cli.output import HANG, print_json, print_pairs, print_problem, print_text
from nightturn.errors import ConfigError
from nightturn.model.certificates import standard
from nightturn.model.quantities import number
from nightturn.report.certificate_page import certificate_page
from nightturn.report.written import write_whole


def answered(options: Mapping[str, object]) -> None:
    """Make a record in the asked way, and print it.

    Raises:
        ConfigError: two ways at once.
    """
    given = msgspec.convert(
        {name: options[name] for name in Given.__struct_fields__ if options[name] is not None}, Given
    )
    readings, guided = options["readings"], options["guided"]
    classes = _classes(options["classes"])
    if classes is not None and not (readings or guided):
        raise ConfigError("--classes judges readings: give --readings or --guided")
    now = datetime.fromtimestamp(time.time_ns() // 1_000_000_000, UTC)
    if readings and guided:
        raise ConfigError("--readings and --guided both bring readings; give one of them")
    if isinstance(guided, Path):
        lever = lever_of(given)
        if lever is None:
            raise ConfigError(
                "--guided hangs masses on a lever: give --arm in m, and --latitude with --height, or --gravity"
            )
        _ask(guided)
        readings = guided
    if not isinstance(readings, Path):
        _answer(given, from_certificate(given, now), None, {}, "", options)
        return
    if given.factor is not None or given.sensitivity is not None:
        raise ConfigError("readings say the factor: leave --factor and --sensitivity out")
    record, found, parts = from_readings(given, readings, now)
    judged = "" if classes is None else class_text(classes, found)
    _answer(given, record, found, parts, judged, options)


def _ask(guided: Path) -> None:
    """Ask for the readings; one who breaks it off reads how to go on."""
    try:
        ask_readings(guided, typer.prompt, print_text)
    except (KeyboardInterrupt, typer.Abort):
        kept = f"{guided} keeps what was read, and the same command goes on with the next reading"
        print_problem(kept if guided.exists() else "nothing was written; the same command begins again")
        raise


def _classes(file: object) -> Classes | None:
    """The limits of classes, where a file of them is given.

    Raises:
        ConfigError: it cannot be read.
    """
    if not isinstance(file, Path):
        return None
    try:
        return parse_classes(file.read_text(encoding="utf-8"), where=str(file))
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            f"{file} cannot be read: {error}; give a file such as examples/classes.toml"
        ) from error


def _answer(
    given: Given,
    record: CalibrationRecord,
    found: Calibrated | None,
    parts: Mapping[str, float],
    judged: str,
    options: Mapping[str, object],
) -> None:
    """Write the page where one is asked for, and print."""
    page, valid = options["page"], validity_text(record, record.valid_from)
    if isinstance(page, Path):
        budget = {} if found is None else {"readings": found.u_slope_rel, **parts}
        since = f"from {record.valid_from.date().isoformat()}"
        rows = [("validity", f"{since}; {valid}"), *_record_rows(record)]
        write_whole(page, certificate_page(record, rows, found, budget, judged).encode())
    _show(given, record, found, parts, judged, as_json=bool(options["as_json"]))
    if isinstance(page, Path) and not options["as_json"]:
        print_text(f"page: {page}", hang=HANG)


def _show(
    given: Given,
    record: CalibrationRecord,
    found: Calibrated | None,
    parts: Mapping[str, float],
    judged: str,
    *,
    as_json: bool,
) -> None:
    path = records_file(given.data, given.transducer)
    if as_json:
        print_json({"path": path, "record": record, "found": found, "loads_u_rel": parts, "class": judged})
        return
    if found is not None:
        print_pairs("what the readings say", [*said(found), *([("class", judged)] if judged else [])])
        rows = {"readings": found.u_slope_rel, **parts}
        print_pairs(
            "standard uncertainty of the factor",
            [(name, f"{number(100 * size, 2)} %") for name, size in rows.items() if size],
        )
    print_pairs(
        f"{record.id}, signed by {given.by}; {validity_text(record, record.valid_from)}", _record_rows(record)
    )
    print_text(f"appended to {path}; a run that begins from now on uses it", hang=HANG)


def _record_rows(record: CalibrationRecord) -> list[tuple[str, str]]:
    if record.factor_nm_per_v is not None:
        scale = f"{number(record.factor_nm_per_v)} N·m/V"
    else:
        assert record.sensitivity_mv_per_v is not None
        assert record.rated_torque_nm is not None
        scale = f"{number(record.sensitivity_mv_per_v)} mV/V at {number(record.rated_torque_nm)} N·m"
    certificate = certificate_of(record)
    known = 0.0 if certificate is None else standard(certificate.factor_rel)
    u = (
        f"± {number(100 * known, 2)} % (standard)"
        if known
        else "its uncertainty is not stated: each ± will be repeatability"
    )
    zero = f"{number(record.zero_mv_per_v)} mV/V" if record.zero_mv_per_v else f"{number(record.zero_v)} V"
    source = f"as in {record.supersedes}" if record.supersedes else "not measured here"
    return [
        ("factor", f"{scale}, {u}"),
        ("zero", f"{zero}, {source}"),
        ("polarity", "as wired" if record.polarity > 0 else "turned round"),
    ]
