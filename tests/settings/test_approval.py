"""The approval of a variant: of what it says and nothing else, in one line of its file."""

from pathlib import Path

import msgspec
import pytest
from tests.settings.bench_folder import write_bench

from nightturn.settings.approval import approval_lacks, approved_text, digest_of
from nightturn.settings.load import load_variant
from nightturn.settings.variant import Variant


def written(folder: Path, text: str) -> Variant:
    (folder / "variants" / "pan15.toml").write_text(text, encoding="utf-8")
    return load_variant(folder, "pan15")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    write_bench(tmp_path)
    return tmp_path


def text_of(folder: Path) -> str:
    return (folder / "variants" / "pan15.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize("by", ["R. Vale", 'R. "Q" Vale', "Ägir\\Vale"])
def test_an_approved_variant_lacks_nothing_until_it_is_changed(folder: Path, by: str) -> None:
    before = load_variant(folder, "pan15")
    assert "is not approved" in approval_lacks(before)
    approved = written(folder, approved_text(text_of(folder), before, by=by, on="2026-11-28"))
    assert approved.approved is not None
    assert (approved.approved.by, approval_lacks(approved)) == (by, "")
    changed = msgspec.structs.replace(approved, rated_torque_nm=16.0)
    assert f"was changed since {by} approved it on 2026-11-28" in approval_lacks(changed)


def test_approving_again_leaves_one_line_and_every_other_one(folder: Path) -> None:
    variant, first = load_variant(folder, "pan15"), text_of(folder)
    once = approved_text(first, variant, by="R. Vale", on="2026-11-27")
    twice = approved_text(once, written(folder, once), by="M. Thorn", on="2026-11-28")
    assert twice.count("approved = ") == 1
    kept = [line for line in twice.splitlines() if line and not line.startswith("approved")]
    assert kept == [line for line in first.splitlines() if line]


def test_the_digest_is_of_what_is_said_not_of_how(folder: Path) -> None:
    before = load_variant(folder, "pan15")
    again = written(folder, f"# a remark\n{text_of(folder)}\n# another\n")
    assert digest_of(again) == digest_of(before)
    assert digest_of(msgspec.structs.replace(before, slots=48)) != digest_of(before)
