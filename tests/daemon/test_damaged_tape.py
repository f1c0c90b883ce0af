"""A daemon was killed and its open tape is damaged or of another version: the next start records, loses little, says so."""

import itertools
from pathlib import Path

from tests.bench.test_side_files import of_another_state
from tests.daemon.processes import Processes, mount, write_bench
from tests.daemon.test_failed_starts import tape_grows
from tests.device.native import NativeDevices

from nightturn.storage import tape
from nightturn.storage.runs import list_runs, open_run
from nightturn.storage.segment import Segment, read_segment
from nightturn.storage.verify import verify
from nightturn.storage.verify_report import RunReport
from nightturn_protocol.framing import parse_header
from nightturn_protocol.messages import Block

IN_A_BLOCK, IN_THE_SNAPSHOT = "pan-a1", "pan-a2"
OF_ANOTHER_VERSION = "pan-a1"
BLOCK_SAMPLES = 50


def open_tape(root: Path, fixture: str) -> Path:
    (path,) = (root / "journal" / fixture).glob("*.ntj")
    return path


def flip(path: Path, offset: int) -> None:
    """One bit."""
    content = bytearray(path.read_bytes())
    content[offset] ^= 0x10
    path.write_bytes(content)


def numbers(root: Path, fixture: str) -> list[int]:
    """Of every record in every segment, in the order of the files."""
    paths = sorted((root / "journal" / fixture).rglob("*.ntj"))
    segments = sorted(
        (read_segment(path.read_bytes()) for path in paths), key=lambda each: each.first_record_no
    )
    return list(itertools.chain.from_iterable([number for number, _ in each.records()] for each in segments))


def report_of(root: Path, fixture: str) -> RunReport:
    (report,) = verify(root, run="all", fixture=fixture).runs
    return report


def kinds_of(report: RunReport) -> set[str]:
    return {problem.kind for problem in report.problems}


def test_a_flipped_bit_costs_one_block_or_nothing_and_no_number_is_given_out_twice(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    fixtures, root = (IN_A_BLOCK, IN_THE_SNAPSHOT), tmp_path / "nights"
    write_bench(tmp_path, {fixture: native_device(f"{fixture}.line").port for fixture in fixtures})
    for fixture in fixtures:
        mount(tmp_path, fixture)
    serve = processes.start("serve", "bench.toml")
    serve.says('"run_open"', len(fixtures))
    for fixture in fixtures:
        tape_grows(tmp_path, serve, 20_000, fixture)
    serve.kill()
    runs = {run.fixture: run.run for run in list_runs(root)}
    before = {fixture: numbers(root, fixture) for fixture in fixtures}
    segment = read_segment(open_tape(root, IN_A_BLOCK).read_bytes())
    is_block = [entry for entry in segment._entries if _is_block(segment, entry)]
    hit = is_block[len(is_block) // 2]
    flip(open_tape(root, IN_A_BLOCK), (hit.start + hit.stop) // 2)
    segment = read_segment(open_tape(root, IN_THE_SNAPSHOT).read_bytes())
    snapshot = next(entry for entry in segment._entries if entry.kind == tape.SNAPSHOT)
    flip(open_tape(root, IN_THE_SNAPSHOT), (snapshot.start + snapshot.stop) // 2)
    for fixture in fixtures:
        assert kinds_of(report_of(root, fixture)) == {"damaged"}

    again = processes.start("serve", "bench.toml")
    again.says('"tape_damaged"', len(fixtures))
    again.says('"run_open"', len(fixtures))
    for fixture in fixtures:
        tape_grows(tmp_path, again, 20_000, fixture)
    assert again.interrupt() == 0
    assert {run.fixture: run.run for run in list_runs(root)} == runs
    for fixture in fixtures:
        report = report_of(root, fixture)
        assert kinds_of(report) == {"damaged"}  # the bytes that are kept aside
        assert report.produced == report.stored + report.missing
        (aside,) = (root / "journal" / fixture).glob("*.damaged")
        assert any(aside.name in problem.path for problem in report.problems)
        after = numbers(root, fixture)
        assert len(after) == len(set(after))
        assert max(before[fixture]) < max(after)
        assert set(before[fixture]) - {hit.record_no} <= set(after)
    _told_of_the_block(root, hit.record_no)
    gaps = open_run(root, IN_THE_SNAPSHOT).gaps()
    assert "tape" not in set(gaps["cause"])
    assert "tape_bytes_failed" in set(open_run(root, IN_THE_SNAPSHOT).events()["kind"])


def _is_block(segment: Segment, entry: tape.Entry) -> bool:
    content = segment._content[entry.start : entry.stop]
    return entry.kind == tape.FRAME and parse_header(bytes(content)).kind == Block.KIND


def _told_of_the_block(root: Path, record_no: int) -> None:
    """The lost record is named in an event, and its samples in a gap row."""
    run = open_run(root, IN_A_BLOCK)
    events = run.events()
    (sentence,) = events[events["kind"] == "tape_failed"]["detail"]
    assert f"records {record_no}" in sentence
    gaps = run.gaps()
    (row,) = gaps[gaps["cause"] == "tape"].to_dict("records")
    assert row["n_missing"] == BLOCK_SAMPLES


def test_tape_of_another_version_is_set_aside_by_name_and_the_run_records_on(
    tmp_path: Path, processes: Processes, native_device: NativeDevices
) -> None:
    root, device = tmp_path / "nights", native_device()
    write_bench(tmp_path, {OF_ANOTHER_VERSION: device.port})
    mount(tmp_path, OF_ANOTHER_VERSION)
    serve = processes.start("serve", "bench.toml")
    serve.says('"run_open"')
    tape_grows(tmp_path, serve, 20_000, OF_ANOTHER_VERSION)
    serve.kill()
    (run,) = list_runs(root)
    last = numbers(root, OF_ANOTHER_VERSION)[-1]
    of_another_state(open_tape(root, OF_ANOTHER_VERSION))
    left = open_tape(root, OF_ANOTHER_VERSION)

    again = processes.start("serve", "bench.toml")
    again.says('"segment_set_aside"')
    again.says('"state_lost"')
    tape_grows(tmp_path, again, 20_000, OF_ANOTHER_VERSION)
    assert again.interrupt() == 0
    (aside,) = (root / "journal" / OF_ANOTHER_VERSION).glob("*.unreadable")
    assert left.name in aside.name
    assert left.name in again.said
    assert [each.run for each in list_runs(root)] == [run.run]
    assert min(numbers(root, OF_ANOTHER_VERSION)) > last
    events = open_run(root, OF_ANOTHER_VERSION).events()
    (lost,) = events[events["kind"] == "state_lost"].to_dict("records")
    assert lost["severity"] == "alarm"
    assert f"tape {left.name} is of another version and was set aside" in lost["detail"]
    assert len(open_run(root, OF_ANOTHER_VERSION).samples(columns=["index"])) > 1000
