"""The manifest of a run: what becomes known of its device is added, and nothing that was known is lost."""

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.fixture.test_owners import OPENED
from tests.storage.crash_states import MemoryFiles
from tests.storage.scenario import plan_for

from nightturn.bench.ledger import Ledger, with_findings
from nightturn.errors import CorruptFileError
from nightturn.fixture.state import FixtureState
from nightturn.model.device import KEPT_MAX, SKIPPED, START, DeviceFacts, Findings, ShuntResult
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import RunEnded
from nightturn.model.verdicts import MET
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, read_manifest, write_manifest

BARE = Manifest(fixture="pan-a1", run="20260504T180000Z-7922", started_utc_ns=1)
SHEET = b'{"torque":{"bits":24,"unit":"V"}}'
PLAN = plan_for(1, 2, 0, chunk_no=3, epoch=1)


def so_far(word: str, cycles: int) -> NightVerdict:
    return NightVerdict(word, (), (), (), cycles, 9)


def test_the_verdict_of_a_run_under_way_is_that_of_its_newest_chunk(tmp_path: Path) -> None:
    """A chunk that is sealed late, after another try, takes nothing back; one that counts less, after a loss, does."""
    files = RealFiles(tmp_path)
    ledger = Ledger(files, BARE.fixture, OPENED)
    ledger.begin()
    seen = []
    for chunk_no, verdict in ((0, so_far("undecided", 1)), (2, so_far("reject", 5)), (1, so_far("accept", 3)),
                              (3, so_far("undecided", 0)), (4, None)):  # fmt: skip
        ledger.met(Findings(b""), msgspec.structs.replace(PLAN, chunk_no=chunk_no), verdict)
        found = read_manifest(files, BARE.fixture, OPENED.run).night_verdict
        seen.append((found.word, found.cycles) if found is not None else None)
    assert seen == [("undecided", 1), ("reject", 5), ("reject", 5), ("undecided", 0), ("undecided", 0)]


def test_the_verdict_of_a_run_that_has_ended_is_that_of_its_end(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    ledger = Ledger(files, BARE.fixture, OPENED)
    ledger.begin()
    ledger.end(
        RunEnded(7, OPENED.run, "the planned cycles are done", "plan", so_far("reject", 9)), FixtureState()
    )
    assert read_manifest(files, BARE.fixture, OPENED.run).night_verdict == so_far("reject", 9)
    ledger.met(Findings(b""), PLAN, so_far("accept", 8))  # a seal that was tried again
    assert read_manifest(files, BARE.fixture, OPENED.run).night_verdict == so_far("reject", 9)


def facts(boot_id: int) -> DeviceFacts:
    return DeviceFacts(boot_id=boot_id, board="QF-1", firmware="1.0.0", sheet_digest="0", reset_cause=0)


def result(ts: int, outcome: str = MET) -> ShuntResult:
    return ShuntResult(ts=ts, epoch=0, when=START, outcome=outcome)


def test_what_is_found_is_added_once_and_in_order() -> None:
    once = with_findings(BARE, Findings(SHEET, (facts(1),), (result(5),)), PLAN)
    assert once.torque_channel == '{"bits":24,"unit":"V"}'
    assert with_findings(once, Findings(SHEET, (facts(1),), (result(5),)), PLAN) == once
    more = with_findings(once, Findings(b"", (facts(2),), (result(9, SKIPPED),)), PLAN)
    assert more.torque_channel == once.torque_channel
    assert [each.boot_id for each in more.devices] == [1, 2]
    assert [each.ts for each in more.shunt_checks] == [5, 9]


def test_a_torque_table_is_never_replaced_and_another_stands_behind_it() -> None:
    manifest = with_findings(BARE, Findings(SHEET), PLAN)
    later = msgspec.structs.replace(PLAN, chunk_no=7, epoch=4)
    for sheet in (b'{"torque":{"bits":20,"unit":"V"}}', SHEET, b'{"torque":{"bits":20,"unit":"V"}}'):
        manifest = with_findings(manifest, Findings(sheet), later)
    assert manifest.torque_channel == '{"bits":24,"unit":"V"}'
    (since,) = manifest.torque_since
    assert (since.chunk_no, since.epoch, since.torque_channel) == (7, 4, '{"bits":20,"unit":"V"}')


def test_the_sheets_of_a_run_are_kept_as_they_came_each_once_and_the_first_ones_stay() -> None:
    """Figures are made again from samples with them, so no byte may differ: settings and sheet have one digest."""
    manifest = BARE
    for number in range(KEPT_MAX + 5):
        sheet = b'{"torque": {"bits":24,  "unit":"V"},"no":%d}' % number
        plan = msgspec.structs.replace(PLAN, chunk_no=number, epoch=number)
        for _ in range(2):
            manifest = with_findings(manifest, Findings(sheet), plan)
    assert len(manifest.sheets) == KEPT_MAX
    assert [each.epoch for each in manifest.sheets] == list(range(KEPT_MAX))
    assert manifest.sheets[7].sheet == '{"torque": {"bits":24,  "unit":"V"},"no":7}'


def test_a_device_that_restarts_all_night_fills_no_manifest() -> None:
    manifest = BARE
    for boot_id in range(KEPT_MAX + 20):
        manifest = with_findings(manifest, Findings(SHEET, (facts(boot_id),), (result(boot_id),)), PLAN)
    assert len(manifest.devices) == len(manifest.shunt_checks) == KEPT_MAX
    assert manifest.devices[-1].boot_id == KEPT_MAX + 19


def test_a_manifest_keeps_its_findings_on_disk_and_one_without_them_is_read(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    full = with_findings(BARE, Findings(SHEET, (facts(1),), (result(5),)), PLAN)
    write_manifest(files, full)
    assert read_manifest(files, BARE.fixture, BARE.run) == full
    (path,) = tmp_path.glob("runs/*/*.json")
    older = msgspec.json.decode(path.read_bytes())
    del older["devices"], older["shunt_checks"]
    path.write_bytes(msgspec.json.encode(older))
    assert read_manifest(files, BARE.fixture, BARE.run).devices == ()


def test_the_manifest_knows_the_first_record_and_the_newest_chunk_however_late_one_is_sealed(
    tmp_path: Path,
) -> None:
    files = RealFiles(tmp_path)
    ledger = Ledger(files, BARE.fixture, OPENED)
    ledger.begin()
    for chunk_no, last in ((2, 299), (1, 199), (2, 299)):
        ledger.met(Findings(b""), msgspec.structs.replace(PLAN, chunk_no=chunk_no, last=last), None)
    found = read_manifest(files, BARE.fixture, OPENED.run)
    assert found.record_first == OPENED.first_record_no
    assert (found.chunk_last, found.record_last) == (2, 299)


@given(st.data())
def test_a_flipped_bit_anywhere_in_a_manifest_is_found(data: st.DataObject) -> None:
    files = MemoryFiles()
    write_manifest(files, BARE)
    (path,) = files.content
    content = bytearray(files.content[path])
    content[data.draw(st.integers(0, len(content) - 1))] ^= 1 << data.draw(st.integers(0, 7))
    files.content[path] = bytes(content)
    with pytest.raises(CorruptFileError, match=BARE.run):
        read_manifest(files, BARE.fixture, BARE.run)


def test_the_manifest_of_a_run_that_ended_knows_a_chunk_that_could_not_be_sealed(tmp_path: Path) -> None:
    files = RealFiles(tmp_path)
    ledger = Ledger(files, BARE.fixture, OPENED)
    ledger.begin()
    ledger.met(Findings(b""), msgspec.structs.replace(PLAN, chunk_no=1, last=199), None)
    state = FixtureState()
    state.chunk.begin(3, 300, 0)
    ledger.end(RunEnded(2, OPENED.run, "stopped", "command", None), state)
    found = read_manifest(files, BARE.fixture, OPENED.run)
    assert (found.chunk_last, found.record_last) == (2, 299)
