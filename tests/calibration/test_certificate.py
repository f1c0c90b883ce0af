"""What a certificate says of its uncertainty: written once, checked, and merged with what records always had."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest

from nightturn.calibration.records import (
    CalibrationRecord,
    certificate_of,
    contradiction,
    encode_line,
    from_settings,
    parse,
    source_of,
)
from nightturn.errors import CalibrationError
from nightturn.model.certificates import Certificate, Expanded, standard
from nightturn.settings.rig import Transducer

WHERE = "calibrations/TR-204.jsonl"
WHOLE: dict[str, Any] = {
    "full_scale_nm": 20.0, "temp_low_degc": 21.0, "temp_high_degc": 25.0,
    "factor_rel": {"expanded": 0.0005, "k": 2.0}, "linearity_rel_fs": {"expanded": 0.0003, "k": 1.732},
    "hysteresis_rel_fs": 0.0002, "zero_return_rel_fs": 0.0001, "tk0_rel_fs_per_10k": 0.0002,
    "tkc_rel_per_10k": 0.0001, "excitation_rel": 0.0001, "gain_rel": 0.0001,
}  # fmt: skip


def line(**changes: Any) -> str:
    """A record as a person writes it."""
    fields = {
        "id": "TR-204/1", "transducer": "TR-204", "certificate": "QL 26/7", "factor_nm_per_v": 4.0,
        "valid_from": "2026-01-12T00:00:00Z",
    }  # fmt: skip
    return json.dumps({**fields, **changes}) + "\n"


def uncertain(**changes: Any) -> str:
    return line(uncertainty={**WHOLE, **changes})


def parsed(text: str) -> CalibrationRecord:
    (record,) = parse(text, where=WHERE)
    return record


def test_every_uncertainty_is_read_and_written_back() -> None:
    record = parsed(uncertain())
    assert parsed(encode_line(record)) == record
    certificate = certificate_of(record)
    assert certificate is not None
    assert certificate.factor_rel == Expanded(0.0005, 2.0)
    assert standard(certificate.factor_rel) == 0.00025
    assert standard(certificate.hysteresis_rel_fs) == 0.0002
    assert standard(None) == 0.0
    assert (certificate.whole, source_of(record)) == (True, "certificate QL 26/7")


def test_a_record_without_them_is_written_as_it_always_was() -> None:
    """Its text enters the digest of a run's settings."""
    text = encode_line(parsed(line(u_factor_rel=0.001)))
    assert "uncertainty" not in json.loads(text)


def test_the_key_of_old_records_is_the_factors_uncertainty() -> None:
    certificate = certificate_of(parsed(line(u_factor_rel=0.001)))
    assert certificate == Certificate(factor_rel=0.001)
    assert certificate_of(parsed(line())) is None
    assert source_of(parsed(line(certificate=""))) == "calibration record TR-204/1"


def test_certificate_data_without_the_factors_uncertainty_are_no_whole_budget() -> None:
    certificate = certificate_of(parsed(uncertain(factor_rel=None)))
    assert certificate is not None
    assert not certificate.whole


def test_the_rated_torque_of_a_record_by_sensitivity_is_its_full_scale() -> None:
    record = parsed(
        line(factor_nm_per_v=None, sensitivity_mv_per_v=2.0, rated_torque_nm=20.0, uncertainty={"linearity_rel_fs": 0.0003})
    )  # fmt: skip
    certificate = certificate_of(record)
    assert certificate is not None
    assert certificate.full_scale_nm == 20.0


def test_an_inline_factor_has_no_uncertainty() -> None:
    assert certificate_of(from_settings(Transducer(serial="TR-204", factor_nm_per_v=4.0))) is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (uncertain(gain_rel=-0.001), "gives uncertainty.gain_rel = -0.001; an uncertainty is not negative"),
        (
            uncertain(linearity_rel_fs={"expanded": 0.001, "k": 0.5}),
            "gives uncertainty.linearity_rel_fs = an expanded uncertainty with k = 0.5; k is 1 for a standard uncertainty",
        ),
        (
            uncertain(hysteresis_rel_fs=0.05),
            "0.05, which means 5 %, and a torque channel is better than 2 %; give a ratio, 0.0005 for 0.05 %",
        ),
        (uncertain(factor_rel={"expanded": 0.1, "k": 2}), "give a ratio, 0.001 for 0.1 %"),
        (
            uncertain(full_scale_nm=None),
            "gives uncertainty.linearity_rel_fs, which is of full scale, without uncertainty.full_scale_nm; add it in N·m",
        ),
        (uncertain(full_scale_nm=-20), "gives uncertainty.full_scale_nm = -20; give the transducer's full scale in N·m"),
        (
            uncertain(temp_low_degc=None),
            "gives uncertainty.tk0_rel_fs_per_10k without uncertainty.temp_low_degc and uncertainty.temp_high_degc",
        ),
        (uncertain(temp_low_degc=30), "temp_low_degc = 30 above uncertainty.temp_high_degc = 25; give the lower one first"),
        (line(u_factor_rel=0.001, uncertainty=WHOLE), "gives both u_factor_rel and uncertainty.factor_rel; keep one of them"),
        (uncertain(linearity_pct=0.05), "unknown field `linearity_pct`"),
        (uncertain(linearity_rel_fs={"expanded": 0.001}), "missing required field `k`"),
    ],
)  # fmt: skip
def test_each_mistake_is_named_with_how_to_correct_it(text: str, says: str) -> None:
    with pytest.raises(CalibrationError) as caught:
        parse(text, where=WHERE)
    assert says in str(caught.value)
    assert f"{WHERE}, line 1" in str(caught.value)


def test_a_number_that_is_not_finite_is_refused() -> None:
    """JSON has none; a program may."""
    record = CalibrationRecord(
        id="x", transducer="T", factor_nm_per_v=4.0, valid_from=datetime(2026, 1, 1, tzinfo=UTC),
        uncertainty=Certificate(factor_rel=float("nan")),
    )  # fmt: skip
    assert contradiction(record) == "gives uncertainty.factor_rel = nan with k = 1.0; write finite numbers"
