"""`mount`: a card for a known fixture, a known variant and names that stay in their folder."""

import json
import re
from pathlib import Path

import pytest
from tests.cli.terminal import sentences, too_wide, typed
from tests.settings.bench_folder import write_bench

from nightturn.settings.load import read_card


def command(path: Path, fixture: str = "pan-a1", unit: str = "Q-0117", variant: str = "pan15") -> list[str]:
    words = ["mount", str(path), fixture, "--unit", unit, "--variant", variant, "--operator", "R. Vale"]
    return [*words, "--travel-zero"]


def test_the_card_says_who_mounted_what_and_when(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_bench(tmp_path)
    code, out, err = typed([*command(path), "--notes", "new bearing"], capsys)
    assert (code, err) == (0, "")
    assert too_wide(out) == []
    assert sentences(out) == [
        f"pan-a1: Q-0117 (pan15) mounted by R. Vale; card in {tmp_path}/nights/mounts/pan-a1.jsonl",
        "pan-a1: travel counts again from where the shaft next begins to turn; before, travel unknown: no run has counted it",
        "pan-a1: nothing turns; next: `nightturn go pan-a1 --unit Q-0117 --operator NAME`",
    ]
    card = read_card(tmp_path / "nights", "pan-a1")
    assert card is not None
    assert (card.unit, card.variant, card.operator, card.notes) == (
        "Q-0117",
        "pan15",
        "R. Vale",
        "new bearing",
    )
    assert card.travel_zero_confirmed
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", card.mounted_utc)


def test_the_cable_is_confirmed_only_by_saying_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_bench(tmp_path)
    code, out, err = typed(command(path)[:-1], capsys)
    assert (code, out) == (2, "")
    assert "pan-a1: Q-0117: travel unknown: no run has counted it" in err
    assert "check the cable, then `--travel-zero`" in err
    assert read_card(tmp_path / "nights", "pan-a1") is None
    code, out, _ = typed([*command(path), "--json"], capsys)
    assert (code, json.loads(out)["card"]["travel_zero_confirmed"]) == (0, True)


def test_a_unit_that_stays_keeps_the_time_of_its_mounting_and_one_that_is_not_there_cannot_stay(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, root = write_bench(tmp_path), tmp_path / "nights"
    code, _, err = typed([*command(path), "--stays"], capsys)
    assert code == 2
    assert "no unit is mounted, so Q-0117 cannot stay" in err
    typed(command(path), capsys)
    first = read_card(root, "pan-a1")
    assert first is not None
    for _ in range(2):
        code, out, err = typed([*command(path), "--stays"], capsys)
        assert (code, err) == (0, "")
        assert f"Q-0117 (pan15) stays as mounted {first.mounted_utc}, says R. Vale" in " ".join(out.split())
        card = read_card(root, "pan-a1")
        assert card is not None
        assert card.mounting == card.since_utc == first.mounted_utc
    code, _, err = typed([*command(path, unit="Q-0118"), "--stays"], capsys)
    assert code == 2
    assert "Q-0117 is mounted, so Q-0118 cannot stay" in err
    typed(command(path), capsys)
    again = read_card(root, "pan-a1")
    assert again is not None
    assert again.since_utc == ""


def test_a_unit_that_was_taken_off_leaves_a_line_and_no_card(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path)
    away = ["unmount", "pan-a1", "--operator", "R. Vale", "--bench", str(path)]
    code, _, err = typed(away, capsys)
    assert (code, err) == (1, "nightturn: no unit is mounted on pan-a1\n")
    typed(command(path), capsys)
    code, out, err = typed([*away, "--reason", "worn out"], capsys)
    assert (code, out, err) == (0, "pan-a1: Q-0117 unmounted by R. Vale (kept)\n", "")
    assert read_card(tmp_path / "nights", "pan-a1") is None
    lines = (tmp_path / "nights" / "mounts" / "pan-a1.jsonl").read_text(encoding="utf-8").splitlines()
    last = json.loads(lines[-1])
    assert (len(lines), last["unit"], last["taken_off"], last["notes"]) == (2, "Q-0117", True, "worn out")
    typed(command(path, unit="Q-0118"), capsys)
    card = read_card(tmp_path / "nights", "pan-a1")
    assert card is not None
    assert card.unit == "Q-0118"


def test_a_second_card_is_appended_and_in_force(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write_bench(tmp_path)
    typed(command(path), capsys)
    typed(command(path, unit="Q-0118"), capsys)
    card = read_card(tmp_path / "nights", "pan-a1")
    assert card is not None
    assert card.unit == "Q-0118"
    assert (
        len((tmp_path / "nights" / "mounts" / "pan-a1.jsonl").read_text(encoding="utf-8").splitlines()) == 2
    )


@pytest.mark.parametrize(
    ("fixture", "unit", "variant", "message"),
    [
        ("pan-a2", "Q-0117", "pan15", 'no fixture "pan-a2"; did you mean'),
        ("../pan-a1", "Q-0117", "pan15", 'no fixture "../pan-a1"'),
        ("host", "Q-0117", "pan15", 'no fixture "host"; allowed: pan-a1, pan-b2'),
        ("pan-a1", "../Q", "pan15", 'unit: "../Q" is not a unit\'s serial'),
        ("pan-a1", "/etc/Q", "pan15", 'unit: "/etc/Q" is not a unit\'s serial'),
        ("pan-a1", "Q-0117", "pan51", 'no variant "pan51"; did you mean "pan15"?'),
        ("pan-a1", "Q-0117", "../pan15", '"../pan15" is not a variant\'s name'),
    ],
)
def test_an_unknown_or_climbing_name_is_refused_and_nothing_is_written(
    fixture: str, unit: str, variant: str, message: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path)
    before = sorted(tmp_path.rglob("*"))
    code, out, err = typed(command(path, fixture, unit, variant), capsys)
    assert (code, out) == (2, "")
    assert message in err
    assert len(err.splitlines()) == 1
    assert sorted(tmp_path.rglob("*")) == before


def test_a_data_root_that_cannot_be_written_ends_with_four(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path)
    (tmp_path / "nights").write_text("a file where the folder should be", encoding="utf-8")
    code, _, err = typed(command(path), capsys)
    assert code == 4
    assert "choose a folder you may write to" in err


def test_the_mark_of_the_rotor_is_on_the_card_and_stays_with_a_unit_that_stays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = write_bench(tmp_path)
    outcome = typed([*command(path), "--mark", "360"], capsys)
    assert outcome.code == 2
    assert "mark_deg: 360.0 is no angle of a turn" in " ".join(outcome.err.split())
    assert typed([*command(path), "--mark", "37.5"], capsys).code == 0
    assert typed([*command(path), "--stays"], capsys).code == 0
    assert typed(command(path), capsys).code == 0
    cards = (tmp_path / "nights" / "mounts" / "pan-a1.jsonl").read_text("utf-8").splitlines()
    assert ['"mark_deg":37.5' in each for each in cards] == [True, True, False]
