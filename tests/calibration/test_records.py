from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.calibration.records import (
    CalibrationRecord,
    appended,
    encode_line,
    from_settings,
    in_force,
    parse,
)
from nightturn.errors import CalibrationError
from nightturn.settings.rig import Transducer

WHERE = "calibrations/TR-204.jsonl"


def record(name: str = "one", month: int = 1, **changes: Any) -> CalibrationRecord:
    fields: dict[str, Any] = {
        "id": name,
        "transducer": "TR-204",
        "factor_nm_per_v": 4.0,
        "valid_from": datetime(2025, month, 1, tzinfo=UTC),
        **changes,
    }
    return CalibrationRecord(**fields)


def lines(*records: CalibrationRecord) -> str:
    return "".join(map(encode_line, records))


def test_a_file_is_read_back_as_it_was_written() -> None:
    records = (record("one", certificate="QL 17/25", u_factor_rel=2e-4), record("two", 3, supersedes="one"))
    assert parse(lines(*records), where=WHERE) == records
    assert parse("\n" + lines(*records) + "\n\n", where=WHERE) == records
    assert parse("", where=WHERE) == ()


def test_the_newest_record_that_holds_is_in_force() -> None:
    records = (record("one", 1), record("two", 3, supersedes="one"))
    assert in_force(records, datetime(2025, 2, 28, 23, 59, tzinfo=UTC)).id == "one"
    assert in_force(records, datetime(2025, 3, 1, tzinfo=UTC)).id == "two"
    east = timezone(timedelta(hours=2))
    assert in_force(records, datetime(2025, 3, 1, 1, 0, tzinfo=east)).id == "one"


def test_a_correction_from_the_same_day_wins() -> None:
    records = (record("typo", 1, factor_nm_per_v=40.0), record("mended", 1, supersedes="typo"))
    assert in_force(records, datetime(2025, 1, 1, tzinfo=UTC)).factor_nm_per_v == 4.0


@given(
    months=st.lists(st.integers(1, 12), min_size=1, max_size=8),
    day=st.integers(1, 28),
    month=st.integers(1, 12),
)
def test_what_is_in_force_never_starts_later_than_asked(months: list[int], day: int, month: int) -> None:
    records = tuple(record(str(number), start) for number, start in enumerate(sorted(months)))
    at = datetime(2025, month, day, tzinfo=UTC)
    held = [one for one in records if one.valid_from <= at]
    if held:
        assert in_force(records, at) == held[-1]
    else:
        with pytest.raises(CalibrationError, match="is valid at"):
            in_force(records, at)


def test_nothing_in_force_says_what_to_do() -> None:
    with pytest.raises(CalibrationError, match="add a line to calibrations"):
        in_force((), datetime(2025, 1, 1, tzinfo=UTC))
    with pytest.raises(CalibrationError, match="'one', is valid from 2025-01-01"):
        in_force((record(),), datetime(2024, 12, 31, tzinfo=UTC))
    with pytest.raises(CalibrationError, match="no time zone"):
        in_force((record(),), datetime(2025, 12, 31))  # noqa: DTZ001  # a time without zone is the point


@pytest.mark.parametrize(
    ("new", "says"),
    [
        (record("one", 2), "id that is used already"),
        (record("two", 2, supersedes="zero"), r"supersedes 'zero', which is not in the file \(known: one\)"),
        (record("two", 2, transducer="TR-9"), "of transducer 'TR-9', the file of 'TR-204'"),
        (record("two", 1, valid_from=datetime(2024, 12, 31, tzinfo=UTC)), "sort the records by valid_from"),
        (record("two", 2, factor_nm_per_v=None), "gives neither"),
        (record("two", 2, sensitivity_mv_per_v=2.0), "gives both"),
        (
            record("two", 2, factor_nm_per_v=None, sensitivity_mv_per_v=2.0),
            "add the torque at which it is valid",
        ),
        (record("two", 2, zero_v=0.1, zero_mv_per_v=0.1), "zero_v and zero_mv_per_v"),
        (record("two", 2, factor_nm_per_v=float("inf")), "not finite"),
        (record("two", 2, zero_v=float("nan")), "not finite"),
    ],
)
def test_each_append_rule_is_held_and_named(new: CalibrationRecord, says: str) -> None:
    with pytest.raises(CalibrationError, match=says):
        appended((record(),), new, where=WHERE)
    with pytest.raises(CalibrationError, match=says if "finite" not in says else f"{WHERE}, line 2"):
        parse(lines(record(), new), where=WHERE)


def test_a_first_record_cannot_supersede() -> None:
    with pytest.raises(CalibrationError, match="known: none yet"):
        parse(lines(record(supersedes="zero")), where=WHERE)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"id": "x"', f"{WHERE}, line 2: Input data was truncated"),
        ('{"id": "x", "transducer": "TR-204", "valid_from": "2025-02-01T00:00:00Z", "faktor": 4}', "faktor"),
        ('{"id": "x", "transducer": "TR-204", "valid_from": "2025-02-01T00:00:00"}', "timezone"),
        (
            '{"id": "x", "transducer": "TR-204", "valid_from": "2025-02-01T00:00:00Z", "factor_nm_per_v": -4}',
            "> 0",
        ),
        (
            '{"id": "x", "transducer": "TR-204", "valid_from": "2025-02-01T00:00:00Z", "polarity": 0}',
            "polarity",
        ),
    ],
)
def test_an_unreadable_line_is_named(line: str, says: str) -> None:
    with pytest.raises(CalibrationError, match=says.replace("(", r"\(")) as caught:
        parse(lines(record()) + line, where=WHERE)
    assert "line 2" in str(caught.value)
    assert "one JSON record a line" in str(caught.value)


def test_an_inline_factor_becomes_a_record_named_by_its_settings() -> None:
    inline = Transducer(serial="TR-204", factor_nm_per_v=4.0, zero_v=0.01, polarity=-1)
    made = from_settings(inline)
    assert (made.factor_nm_per_v, made.zero_v, made.polarity, made.transducer) == (4.0, 0.01, -1, "TR-204")
    assert made.id.startswith("inline-")
    assert made == from_settings(msgspec.structs.replace(inline))
    assert made.id != from_settings(msgspec.structs.replace(inline, zero_v=0.02)).id
    assert in_force((made,), datetime(1970, 1, 1, tzinfo=UTC)) is made


def test_an_inline_sensitivity_keeps_its_rated_torque_and_excitation() -> None:
    made = from_settings(
        Transducer(serial="T", sensitivity_mv_per_v=2.0, rated_torque_nm=20.0, excitation_v=5.0)
    )
    assert (made.sensitivity_mv_per_v, made.rated_torque_nm, made.excitation_v) == (2.0, 20.0, 5.0)


@pytest.mark.parametrize(
    ("inline", "says"),
    [
        (Transducer(serial="TR-204"), "calibrations/TR-204.jsonl"),
        (Transducer(serial="TR-204", sensitivity_mv_per_v=2.0), "add the torque at which it is valid"),
        (
            Transducer(serial="TR-204", sensitivity_mv_per_v=2.0, rated_torque_nm=20.0, factor_nm_per_v=4.0),
            "both",
        ),
    ],
)
def test_a_rig_without_a_usable_factor_is_told_where_to_write_it(inline: Transducer, says: str) -> None:
    with pytest.raises(CalibrationError, match=says) as caught:
        from_settings(inline)
    assert "[fixture.transducer] TR-204" in str(caught.value)
