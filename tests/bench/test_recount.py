"""The count of judged cycles made again from their files: the core's to the last bit, or said to be less."""

from collections.abc import Sequence
from itertools import pairwise

import msgspec
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from crc32c import crc32c
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.estimation.test_night_verdict import LIMIT, RIPPLE, VALUES
from tests.storage.crash_states import MemoryFiles
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS

from nightturn.bench.recount import OTHER_LIMITS, OTHER_SETTINGS, recount
from nightturn.estimation.conditions import AcceptLimit
from nightturn.estimation.cycle_verdict import judge_one
from nightturn.estimation.draft import Draft
from nightturn.estimation.night_verdict import UNKNOWN, Night, still_uncounted
from nightturn.estimation.purpose import Basis, Steadiness
from nightturn.model.figures import BUDGET, CycleRecord, Figure
from nightturn.model.nights import NightVerdict
from nightturn.model.purposes import ENGINEERING, RELEASE
from nightturn.model.rows import CYCLES, BudgetRow
from nightturn.model.verdicts import REJECT
from nightturn.storage import judged, paths
from nightturn.storage.datasets import budget_rows, cycles_table, table_of
from nightturn.storage.manifest import Manifest
from nightturn.storage.parquet import encode

LIMITS = (LIMIT, RIPPLE)
SCATTER_NM = {"a": 0.0010, "r": 0.0013, "u": 0.0007, "n": 0.001}


def figure(name: str, value: float | None, u_nm: float) -> Figure:
    """A figure with a budget of three lines, of which two are alike in all cycles."""
    draft = Draft(value, u_nm, 8.0, n=3)
    draft.line("factor", abs(value or 0.0) * 1e-4, "certificate", common=True)
    draft.line("excitation", abs(value or 0.0) * 3e-5, "certificate", common=True)
    draft.line("lag", 2e-4, "fit", common=False, nu=3.0)
    return draft.figure(name, 4, kind=BUDGET)


def cycles(story: str, limits: Sequence[AcceptLimit] = LIMITS) -> list[CycleRecord]:
    """A letter a cycle, as in the tests of the verdict; the ripple is always good."""
    found = []
    for number, letter in enumerate(story, 1):
        made = (
            figure(LIMIT.figure, VALUES.get(letter), SCATTER_NM[letter]),
            figure(RIPPLE.figure, 0.15, 0.0011),
        )
        by_name = {each.name: each for each in made}
        record = CycleRecord(
            "", 0, number, "ok", 1, 0, 0, 0, 0, number, number, 30.0, 0.0, 1.0, "", "first", "", "", made
        )
        words = tuple(judge_one(by_name[limit.figure], limit)[0] for limit in limits)
        found.append(msgspec.structs.replace(record, limit_words=words))
    return found


def counted(records: Sequence[CycleRecord], limits: Sequence[AcceptLimit] = LIMITS) -> Night:
    """As a core counts them."""
    night = Night()
    for record in records:
        night.add(record, limits)
    return night


class Disk:
    """The files of a run whose chunks end after these cycles."""

    def __init__(self, records: Sequence[CycleRecord], ends: Sequence[int] = ()) -> None:
        self.files = MemoryFiles({})
        self.paths: dict[tuple[str, int], str] = {}
        edges = sorted({0, *ends, len(records)})
        for number, (first, last) in enumerate(pairwise(edges)):
            some = records[first:last]
            self.write(CYCLES, number, cycles_table(some))
            lines: list[BudgetRow] = [row for record in some for row in budget_rows(record)]
            self.write("budget", number, table_of("budget", lines))

    def write(self, dataset: str, chunk_no: int, table: pa.Table) -> None:
        old = self.paths.pop((dataset, chunk_no), None)
        if old is not None:
            self.files.remove(old)
        first, last = 1 + 100 * chunk_no, 100 + 100 * chunk_no
        place = {"chunk_no": str(chunk_no), "record_first": str(first), "record_last": str(last)}
        content = encode(table, dataset, {"fixture": FIXTURE, "run": RUN, **place}).content
        name = paths.ChunkName(chunk_no, first, last, crc32c(content))
        path = f"{paths.run_folder(dataset, FIXTURE, STARTED_NS, RUN)}/{name.text}"
        self.files.append(path, content)
        self.paths[dataset, chunk_no] = path

    def damage(self, dataset: str, chunk_no: int) -> None:
        path = self.paths[dataset, chunk_no]
        content = bytearray(self.files.read(path))
        content[len(content) // 3] ^= 1
        self.files.content[path] = bytes(content)

    def without(self, dataset: str, chunk_no: int, *columns: str) -> None:
        table = pq.read_table(pa.BufferReader(self.files.read(self.paths[dataset, chunk_no])))
        self.write(dataset, chunk_no, table.drop_columns(list(columns)))

    def recount(self, before: NightVerdict | None = None, limits: Sequence[AcceptLimit] = LIMITS) -> Night:
        manifest = Manifest(fixture=FIXTURE, run=RUN, started_utc_ns=STARTED_NS, night_verdict=before)
        return recount(self.files, manifest, limits)


@settings(max_examples=12)
@given(st.text("arun", min_size=1, max_size=90), st.sets(st.integers(1, 89), max_size=4))
def test_the_files_give_the_count_again_to_the_last_bit_however_they_are_cut(
    story: str, ends: set[int]
) -> None:
    records = cycles(story)
    ends = {end for end in ends if end < len(records)}
    again, night = Disk(records, sorted(ends)).recount(), counted(records)
    assert again == msgspec.structs.replace(night, steadiness=Steadiness())
    # temperatures are not read again: what nobody looked at releases nothing
    purpose = again.verdict(LIMITS, len(records), Basis(RELEASE))
    assert (purpose.purpose, len(purpose.engineering_because) > 0) == (ENGINEERING, True)


def test_without_a_file_or_a_limit_nothing_is_counted_and_nothing_is_missing() -> None:
    assert Disk([]).recount() == Night()
    night = Disk(cycles("aa", ()), ()).recount(limits=())
    assert (night.cycles, night.next_cycle, night.uncounted) == (2, 3, [])


@pytest.mark.parametrize(
    ("chunk_no", "said"),
    [
        (0, "cycles 1 to 2 are not counted: chunk 0 of the dataset cycles is damaged"),
        (1, "cycles 3 to 5 are not counted: chunk 1 of the dataset cycles is damaged"),
        (2, "cycles 6 to 8 are not counted: chunk 2 of the dataset cycles is damaged"),
    ],
)
def test_the_cycles_of_a_damaged_file_are_named_also_the_last_ones(chunk_no: int, said: str) -> None:
    records = cycles("aaaaaaaa")
    disk = Disk(records, (2, 5))
    disk.damage(CYCLES, chunk_no)
    night = disk.recount()
    assert night.uncounted == [said]
    assert (night.next_cycle, night.cycles) == (9, 8 - (2, 3, 3)[chunk_no])


def test_three_rejects_in_a_row_still_reject_beside_a_damaged_file() -> None:
    disk = Disk(cycles("aaarrraaa"), (3, 6))
    disk.damage(CYCLES, 2)
    verdict = disk.recount().verdict(LIMITS, 9)
    assert verdict.word == REJECT
    assert verdict.reasons[0].endswith("; cycles 4 to 6 each reject")
    assert "cycles 7 to 9 are not counted: chunk 2 of the dataset cycles is damaged" in verdict.reasons


def test_rejects_with_a_damaged_file_between_them_stand_in_no_row() -> None:
    """What lies between might have been good."""
    disk = Disk(cycles("aarrarraa"), (4, 5))
    disk.damage(CYCLES, 1)
    night = disk.recount()
    assert night.limits.keys() == counted(cycles("a")).limits.keys()
    assert [limit.rejecting for limit in night.limits.values()] == [4, 0]
    assert all(limit.rejected is None for limit in night.limits.values())


def test_where_no_file_says_which_cycles_are_lost_that_some_are_is_said() -> None:
    disk = Disk(cycles("aaaa"), (2,))
    disk.damage(CYCLES, 1)
    disk.damage("budget", 1)
    night = disk.recount()
    assert night.uncounted == [
        "cycles after cycle 2 may be missing from the count: chunk 1 of the dataset cycles is damaged"
    ]
    before = counted(cycles("aaaa")).verdict(LIMITS, 4)
    night = disk.recount(before)  # the manifest knows how many there were
    assert night.uncounted == ["cycles 3 to 4 are not counted: chunk 1 of the dataset cycles is damaged"]
    assert night.next_cycle == 5


def test_a_file_that_is_gone_shows_by_the_numbers() -> None:
    records = cycles("aaaaaa")
    disk = Disk(records, (2, 4))
    for dataset in (CYCLES, "budget"):
        disk.files.remove(disk.paths[dataset, 1])
    assert disk.recount().uncounted == [f"cycles 3 to 4 are not counted: {UNKNOWN}"]
    disk.files.remove(disk.paths[CYCLES, 2])
    said = ["cycles 3 to 6 are not counted: chunk 2 of the dataset cycles is missing"]
    assert disk.recount().uncounted == said  # also where the manifest was last written before them
    assert disk.recount(counted(records).verdict(LIMITS, 6)).uncounted == said
    disk.files.remove(disk.paths["budget", 2])
    before = counted(records).verdict(LIMITS, 6)
    assert disk.recount(before).uncounted == [f"cycles 3 to 6 are not counted: {UNKNOWN}"]


@pytest.mark.parametrize(
    ("harm", "why"),
    [
        (lambda disk: disk.damage("budget", 1), "chunk 1 of the dataset budget is damaged"),
        (
            lambda disk: disk.files.remove(disk.paths["budget", 1]),
            "chunk 1 of the dataset budget is missing",
        ),
        (
            lambda disk: disk.without(CYCLES, 1, "friction_nm_u_common"),
            "chunk 1 of the dataset cycles has no column friction_nm_u_common",
        ),
        (
            lambda disk: disk.without(CYCLES, 1, "limit_words"),
            "chunk 1 of the dataset cycles has no column limit_words",
        ),
        (
            lambda disk: disk.without("budget", 1, "common"),
            "chunk 1 of the dataset budget has no column common",
        ),
    ],
    ids=["damaged budget", "no budget", "no common part", "no words", "no common lines"],
)
def test_what_the_files_do_not_tell_is_named(harm: object, why: str) -> None:
    assert callable(harm)
    disk = Disk(cycles("aaaaaa"), (2, 4))
    harm(disk)
    night = disk.recount()
    assert night.uncounted == [f"cycles 3 to 4 are not counted: {why}"]
    assert night.cycles == 4


def test_a_budget_that_lacks_a_line_is_not_taken_for_whole() -> None:
    records = cycles("aaa")
    disk = Disk(records)
    lines = [row for record in records for row in budget_rows(record)]
    lines = [row for row in lines if (row.cycle_no, row.figure, row.line) != (2, LIMIT.figure, "lag")]
    disk.write("budget", 0, table_of("budget", lines))
    assert disk.recount().uncounted == [f"cycle 2 is not counted: the budget of {LIMIT.figure} is not whole"]


def test_a_file_that_is_too_long_is_not_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(judged, "ROWS_MAX", 2)
    night = Disk(cycles("aaaaa"), (2,)).recount()
    assert night.cycles == 0
    assert "chunk 1 of the dataset cycles has more than 2 rows" in night.uncounted[-1]


def test_cycles_under_other_limits_or_settings_are_not_mixed_in() -> None:
    eased = msgspec.structs.replace(LIMIT, limit=0.2)
    records = cycles("aara")
    records[2] = cycles("aar", (eased, RIPPLE))[2]  # met, under twice the limit
    assert Disk(records).recount().uncounted == [f"cycle 3 is not counted: {OTHER_LIMITS}"]
    records[2] = cycles("aar", (LIMIT,))[2]
    assert Disk(records).recount().uncounted == [f"cycle 3 is not counted: {OTHER_LIMITS}"]
    records = cycles("aaaa")
    records[2:] = [msgspec.structs.replace(each, config_digest="later") for each in records[2:]]
    night = Disk(records).recount()
    assert night.uncounted == [f"cycles 3 to 4 are not counted: {OTHER_SETTINGS}"]
    assert (night.cycles, night.next_cycle) == (2, 5)


def test_stretches_that_are_left_out_for_different_reasons_are_told_apart() -> None:
    records = cycles("a" * 9)
    records[2:4] = [msgspec.structs.replace(each, config_digest="later") for each in records[2:4]]
    disk = Disk(records, (4, 6, 7))
    disk.damage(CYCLES, 1)
    disk.damage(CYCLES, 2)
    assert disk.recount().uncounted == [
        f"cycles 3 to 4 are not counted: {OTHER_SETTINGS}",
        "cycles 5 to 6 are not counted: chunk 1 of the dataset cycles is damaged",
        "cycle 7 is not counted: chunk 2 of the dataset cycles is damaged",
    ]


def test_what_may_be_missing_stays_so_and_what_is_counted_again_does_not() -> None:
    records = cycles("aaaa")
    before = Night()
    before.expect(3)
    before.lose("records of the run's tape are lost")
    for record in records[2:]:
        before.add(record, LIMITS)
    verdict = before.verdict(LIMITS, 4)
    assert len([each for each in verdict.reasons if each in before.uncounted]) == 2
    night = Disk(records).recount(verdict)
    assert night.cycles == 4
    assert night.uncounted == [
        "cycles after cycle 2 may be missing from the count: records of the run's tape are lost"
    ]


@given(st.text("arun", max_size=12), st.lists(st.sampled_from(["one", "two", "three"]), max_size=4))
def test_of_a_verdict_all_that_may_be_missing_is_read_back(story: str, losses: list[str]) -> None:
    night = counted(cycles(story))
    for why in losses:
        night.lose(why)
    assert still_uncounted(night.verdict(LIMITS, 12)) == night.uncounted
