"""Variants: found by name, never out of their folder."""

from pathlib import Path

import msgspec
import pytest
from tests.settings.bench_folder import FIGURES, RIG, VARIANT, spoilt, write_bench

from nightturn.errors import ConfigError
from nightturn.model.cards import MountCard
from nightturn.settings.load import (
    append_card,
    calibration_mistakes,
    data_root,
    load_rig,
    load_variant,
    variants_for,
)

CARD = MountCard(
    travel_zero_confirmed=True,
    unit="Q-0117",
    variant="pan15",
    operator="R. Vale",
    mounted_utc="2026-01-02T21:00:00Z",
)


def test_a_variant_takes_its_name_from_its_file(tmp_path: Path) -> None:
    variant = load_variant(write_bench(tmp_path).parent, "pan15", figures=FIGURES)
    assert (variant.name, variant.pole_pairs, variant.slots) == ("pan15", 16, 36)
    assert variant.accept["friction_nm"].temp_degc == (18.0, 30.0)


def test_an_unknown_variant_names_the_ones_there_are(tmp_path: Path) -> None:
    write_bench(tmp_path)
    with pytest.raises(ConfigError) as caught:
        load_variant(tmp_path, "pan16")
    assert (
        str(caught.value) == f'{tmp_path}/variants: no variant "pan16"; did you mean "pan15"?; allowed: pan15'
    )


@pytest.mark.parametrize(
    "name", ["../pan15", "..", "/etc/passwd", "a/b", "PAN15", "", "pan15\n", "pan15.toml"]
)
def test_a_name_that_climbs_or_is_none_is_refused_before_any_file_is_touched(
    name: str, tmp_path: Path
) -> None:
    write_bench(tmp_path)
    with pytest.raises(ConfigError, match=r"is not a variant's name.*no dot, no slash"):
        load_variant(tmp_path, name)


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        ("slots = 36", "slots = 0", "slots", "0 is out of range; allowed: a whole number from 1 to 1000"),
        ("slots = 36", "", "slots", 'missing key "slots"; allowed: a whole number from 1 to 1000'),
        ("pole_pairs", "pole_pair", "pole_pair", 'did you mean "pole_pairs"?'),
        (
            "schema = 1",
            'schema = 1\nname = "pan16"',
            "name",
            '"pan16" is not the name of its file; allowed: "pan15"',
        ),
        ("friction_nm =", "fricton_nm =", "[accept], fricton_nm", 'did you mean "friction_nm"?'),
        (
            "max = 0.60",
            "max = 0.60, guard = 0.7",
            "[accept.ripple_pct_rated], guard",
            "leaves no room below max = 0.6",
        ),
        (
            "max = 0.60",
            "min = 0.7, max = 0.60",
            "[accept.ripple_pct_rated], min",
            "0.7 leaves no room below max = 0.6; allowed: a number below 0.6",
        ),
        (
            "max = 0.60",
            "min = 0.4, max = 0.60, guard = 0.1",
            "[accept.ripple_pct_rated], guard",
            "0.1 leaves no room between min and max; allowed: a number from 0, below 0.1",
        ),
        (
            "max = 0.60, ",
            "",
            "[accept.ripple_pct_rated], max",
            "neither max nor min is given; allowed: max, min or both, in the unit of the figure",
        ),
        (
            "max = 0.60",
            "min = -0.2",
            "[accept.ripple_pct_rated], min",
            '-0.2 bounds a magnitude, which is never negative; allowed: a number above 0, or of = "signed"',
        ),
        (
            "max = 0.60",
            "max = inf",
            "[accept.ripple_pct_rated], max",
            "inf is not a finite number; allowed: a number",
        ),
        (
            "at_torque_nm = 5.0",
            "at_torque_nm = 0",
            "[accept.ripple_pct_rated], at_torque_nm",
            "0 is no torque to hold; allowed: the torque held, N·m, with its sign",
        ),
        (
            "max = 0.60",
            'max = 0.60, direction = "up"',
            "[accept.ripple_pct_rated], direction",
            '"positive"',
        ),
        (
            "max = 0.60",
            "max = 0.60, guard = -0.1",
            "[accept.ripple_pct_rated], guard",
            "-0.1 is out of range; allowed: a number from 0",
        ),
        (
            "max = 0.60",
            'max = 0.60, of = "size"',
            "[accept.ripple_pct_rated], of",
            '"size" is not one of the choices',
        ),
        (
            "max = 0.60",
            'max = "0.60"',
            "[accept.ripple_pct_rated], max",
            '"0.60" is text; allowed: a number',
        ),
        (
            "at_rpm = 3.0, temp_degc",
            "at_rpm = 0, temp_degc",
            "[accept.friction_nm], at_rpm",
            "0 is out of range; allowed: a number above 0",
        ),
        (
            "[18, 30]",
            "[30, 18]",
            "[accept.friction_nm], temp_degc",
            "contains no temperature; allowed: two numbers",
        ),
        (
            "at_torque_nm = 5.0",
            "at_torqe_nm = 5.0",
            "[accept.ripple_pct_rated], at_torqe_nm",
            '"at_torque_nm"?',
        ),
    ],
)
def test_a_mistake_in_a_variant_is_told_like_one_in_a_rig(
    old: str, new: str, where: str, what: str, tmp_path: Path
) -> None:
    write_bench(tmp_path, variant=spoilt(VARIANT, old, new))
    with pytest.raises(ConfigError) as caught:
        load_variant(tmp_path, "pan15", figures=FIGURES)
    messages = str(caught.value).splitlines()
    assert any(
        line.startswith(f"{tmp_path}/variants/pan15.toml, {where}: ") and what in line for line in messages
    )


def test_the_mounted_variant_is_the_one_a_fixture_meets(tmp_path: Path) -> None:
    path = write_bench(tmp_path)
    (tmp_path / "variants" / "pan20.toml").write_text(spoilt(VARIANT, "15.0", "20.0"), encoding="utf-8")
    rig = load_rig(path)
    assert [each.name for each in variants_for(path, rig, "pan-a1")] == ["pan15", "pan20"]
    append_card(data_root(path, rig), "pan-a1", msgspec.structs.replace(CARD, variant="pan20"))
    assert [each.name for each in variants_for(path, rig, "pan-a1")] == ["pan20"]
    assert [each.name for each in variants_for(path, rig, "pan-a1", "pan15")] == ["pan15"]


def test_no_variant_at_all_says_what_to_write(tmp_path: Path) -> None:
    path = write_bench(tmp_path)
    (tmp_path / "variants" / "pan15.toml").unlink()
    with pytest.raises(
        ConfigError, match=r"no variant file beside the rig file.*rated_torque_nm, pole_pairs and slots"
    ):
        variants_for(path, load_rig(path), "pan-a1")


def test_a_serial_without_a_record_and_without_a_factor_cannot_give_torque(tmp_path: Path) -> None:
    path = write_bench(tmp_path, spoilt(RIG, "factor_nm_per_v = 4.0", ""))
    rig = load_rig(path)
    (missing,) = calibration_mistakes(path, rig)
    assert missing.where == f'{path}, [fixture.transducer] of fixture "pan-a1", serial'
    assert "no calibration record" in missing.what
    assert "calibrations/TR-204.jsonl" in missing.what
    assert "factor_nm_per_v here" in missing.allowed
    record = tmp_path / "nights" / "calibrations" / "TR-204.jsonl"
    record.parent.mkdir(parents=True)
    record.touch()
    assert calibration_mistakes(path, rig) == ()


def test_the_examples_are_good() -> None:
    folder = Path(__file__).parents[2] / "examples"
    rig = load_rig(folder / "bench.toml", figures=FIGURES)
    assert rig.bench.lab == "quillfen"
    assert calibration_mistakes(folder / "bench.toml", rig) == ()
    assert load_variant(folder, "pan15", figures=FIGURES).rated_torque_nm == 15.0
    soaks = load_rig(folder / "soak.toml", figures=FIGURES)
    assert calibration_mistakes(folder / "soak.toml", soaks) == ()
