"""Mount cards: the last whole line is in force, whatever a crash did to the file."""

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.errors import ConfigError, CorruptFileError, StorageError
from nightturn.model.cards import MountCard
from nightturn.settings.load import append_card, read_card

CARD = MountCard(unit="Q-0117", variant="pan15", operator="R. Vale", mounted_utc="2026-01-02T21:00:00Z")


def test_nothing_mounted_is_no_card(tmp_path: Path) -> None:
    assert read_card(tmp_path, "pan-a1") is None


def test_the_last_card_is_in_force_and_the_first_stays_in_the_file(tmp_path: Path) -> None:
    second = msgspec.structs.replace(CARD, unit="Q-0118", notes='zwei\n"Zeilen" ±')
    path = append_card(tmp_path, "pan-a1", CARD)
    append_card(tmp_path, "pan-a1", second)
    append_card(tmp_path, "pan-b2", CARD)
    assert read_card(tmp_path, "pan-a1") == second
    assert read_card(tmp_path, "pan-b2") == CARD
    assert path == tmp_path / "mounts" / "pan-a1.jsonl"
    assert [msgspec.json.decode(line)["unit"] for line in path.read_bytes().splitlines()] == [
        "Q-0117",
        "Q-0118",
    ]


@given(cut=st.integers(min_value=1))
def test_a_card_torn_anywhere_leaves_the_one_before_in_force_and_does_not_hinder_the_next(
    cut: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    root = tmp_path_factory.mktemp("root")
    path = append_card(root, "pan-a1", CARD)
    whole = path.read_bytes()
    path.write_bytes(whole + whole[: 1 + cut % (len(whole) - 1)])
    assert read_card(root, "pan-a1") == CARD
    third = msgspec.structs.replace(CARD, unit="Q-0119")
    append_card(root, "pan-a1", third)
    assert read_card(root, "pan-a1") == third
    assert path.read_bytes().startswith(whole)


def test_a_whole_line_that_is_no_card_is_told_by_its_number(tmp_path: Path) -> None:
    path = append_card(tmp_path, "pan-a1", CARD)
    path.write_bytes(path.read_bytes() + b'{"unit": 3}\n')
    with pytest.raises(CorruptFileError, match=r"pan-a1\.jsonl: line 2 is not a mount card"):
        read_card(tmp_path, "pan-a1")


@pytest.mark.parametrize(
    ("fixture", "change", "message"),
    [
        ("../pan", {}, 'mount card, fixture: "../pan" is not a fixture id; allowed: a small letter'),
        ("host", {}, 'mount card, fixture: "host" is not a fixture id'),
        (
            "pan-a1",
            {"unit": "../../Q"},
            'mount card, unit: "../../Q" is not a unit\'s serial; allowed: a letter or digit',
        ),
        ("pan-a1", {"unit": ""}, 'mount card, unit: "" is not a unit\'s serial'),
        ("pan-a1", {"variant": "/pan15"}, 'mount card, variant: "/pan15" is not a variant\'s name'),
        (
            "pan-a1",
            {"operator": "  "},
            'mount card, operator: "  " is not a name; allowed: one line of 1 to 64',
        ),
        ("pan-a1", {"operator": "a\nb"}, 'mount card, operator: "a\\nb" is not a name'),
        (
            "pan-a1",
            {"notes": "x" * 2001},
            "mount card, notes: 2001 characters are too many; allowed: at most 2000",
        ),
    ],
)
def test_names_that_climb_are_refused_and_nothing_is_written(
    fixture: str, change: dict[str, str], message: str, tmp_path: Path
) -> None:
    with pytest.raises(ConfigError) as caught:
        append_card(tmp_path, fixture, msgspec.structs.replace(CARD, **change))
    assert message in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_a_data_root_that_cannot_be_written_says_what_to_do(tmp_path: Path) -> None:
    root = tmp_path / "nights"
    root.write_text("a file stands where the folder should be")
    with pytest.raises(
        StorageError, match=r"mounts/pan-a1\.jsonl: Not a directory; choose a folder you may write to"
    ):
        append_card(root, "pan-a1", CARD)
