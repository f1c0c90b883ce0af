"""Compressed tape: byte for byte the plain one, whole in one form at every cut, and damage costs its own block only."""

import errno
import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.storage.crash_states import Disk, MemoryFiles
from tests.storage.recording import RecordingFiles
from tests.storage.scenario import FIXTURE, RUN, bench_signal, block_frames, cut
from tests.storage.store import full_night
from typing_extensions import override

from nightturn.errors import CorruptFileError, SchemaVersionError, StorageError
from nightturn.model.records import Record, Tick
from nightturn.storage import packed, paths, tape
from nightturn.storage.recovery import next_record_no, recover
from nightturn.storage.salvage import last_used, salvage
from nightturn.storage.seal import pack_sealed
from nightturn.storage.segment import SegmentHeader, encode_header, is_packed, pack, read_segment, unpack
from nightturn.storage.verify import verify

HEADER = SegmentHeader(7, FIXTURE, RUN, 1, 1, 0, "0.1.0", "1.0")
SALT = tape.salt_of(7)
PLACE = f"{paths.sealed_folder(FIXTURE)}/000000000001-0000000000000007.ntj"


SAMPLES = 60_000


def plain_tape(samples: int = SAMPLES) -> bytes:
    """A tape of several blocks."""
    records: list[Record] = [Tick(1, 1), *block_frames(*bench_signal(samples, seed=1), first_index=0), cut()]
    start = encode_header(HEADER) + tape.encode_snapshot(b"state" * 50, 0, 1, SALT)
    return start + tape.encode_records(records, 1, SALT)


PLAIN = plain_tape()
SMALL = pack(PLAIN) or b""


def blocks_of(content: bytes) -> int:
    return content.count(packed.MAGIC.to_bytes(2, "little") + bytes([packed.BLOCK]))


def test_a_compressed_tape_takes_three_bytes_a_sample_and_gives_the_plain_one_byte_for_byte() -> None:
    assert is_packed(SMALL)
    assert blocks_of(SMALL) > 1
    assert len(PLAIN) / SAMPLES > 5.5
    assert len(SMALL) / SAMPLES < 3.1
    assert unpack(SMALL) == (PLAIN, 0)
    assert unpack(PLAIN) == (PLAIN, 0)
    assert list(read_segment(SMALL).records()) == list(read_segment(PLAIN).records())
    assert pack(SMALL) is None
    start = len(encode_header(HEADER))
    assert packed.holds(SMALL, start, PLAIN, SALT)
    assert not packed.holds(SMALL, start, PLAIN[:-1] + b"?", SALT)
    assert not packed.holds(SMALL, start, PLAIN + b"?", SALT)


def test_a_tape_that_is_not_whole_records_stays_plain() -> None:
    assert pack(PLAIN[:-3]) is None
    assert pack(PLAIN + b"\0" * 20) is None
    assert pack(encode_header(HEADER)) is None


def test_a_newer_major_is_refused_naming_both_that_are_read() -> None:
    newer = bytearray(SMALL)
    newer[8] = 3
    with pytest.raises(SchemaVersionError, match=r"format 3\.0; this nightturn reads 1\.x and 2\.x"):
        read_segment(bytes(newer))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, len(SMALL) - 1), st.integers(0, 7))
def test_no_flipped_bit_changes_a_record_unseen_and_at_most_two_blocks_are_lost(at: int, bit: int) -> None:
    spoilt = bytearray(SMALL)
    spoilt[at] ^= 1 << bit
    start = len(encode_header(HEADER))
    if at < start:  # told by its own checksum, as that of a plain tape; its numbers stay used
        if at >= 12:  # behind magic and version
            with pytest.raises(CorruptFileError):
                read_segment(bytes(spoilt))
            assert last_used(bytes(spoilt), PLACE) == read_segment(PLAIN).last_record_no
        return
    assert not packed.holds(bytes(spoilt), start, PLAIN, SALT)
    plain, damaged = unpack(bytes(spoilt))
    assert damaged >= 1
    found = salvage(plain, PLACE)
    assert found is not None
    whole = {entry.record_no: (entry.kind, plain[entry.start : entry.stop]) for entry in found.entries}
    truth = salvage(PLAIN, PLACE)
    assert truth is not None
    true = {entry.record_no: (entry.kind, PLAIN[entry.start : entry.stop]) for entry in truth.entries}
    assert whole.items() <= true.items()
    lost = sum(len(payload) for number, (_, payload) in true.items() if number not in whole)
    assert lost <= packed.BLOCK_BYTES
    assert last_used(bytes(spoilt), PLACE) >= truth.last_used


@settings(max_examples=40, deadline=None)
@given(st.integers(len(encode_header(HEADER)), len(SMALL) - 1))
def test_a_cut_off_end_shows_and_its_numbers_stay_used(length: int) -> None:
    plain, damaged = unpack(SMALL[:length])
    segment = read_segment(SMALL[:length])
    assert damaged >= 1
    assert segment.damaged_blocks == damaged
    assert PLAIN.startswith(plain[: segment.good_bytes])
    if length > len(encode_header(HEADER)) + packed.TABLE_BYTES:
        assert last_used(SMALL[:length], PLACE) == read_segment(PLAIN).last_record_no


def test_any_cut_while_compressing_leaves_one_whole_form_under_the_same_name() -> None:
    files = RecordingFiles(MemoryFiles({PLACE: PLAIN}))
    assert pack_sealed(files, PLACE) == len(SMALL)
    disk, states = Disk.holding({PLACE: PLAIN}), 0
    for operation in (None, *files.operations):
        if operation is not None:
            disk.apply(operation)
        for how, left in disk.after_a_power_cut():
            states += 1
            assert left.read(PLACE) in {PLAIN, SMALL}, how
            recover(left, FIXTURE)
            assert [name for name in left.list(paths.sealed_folder(FIXTURE)) if name.startswith(".")] == []
            assert next_record_no(left, FIXTURE) == read_segment(PLAIN).last_record_no + 1
    assert files.inner.read(PLACE) == SMALL
    assert states > 10


@pytest.mark.parametrize("nth", range(4))
def test_a_disk_that_fails_at_any_step_leaves_the_plain_form_or_the_whole_compressed_one(nth: int) -> None:
    class Nth(MemoryFiles):
        left = nth

        def _step(self) -> None:
            self.left -= 1
            if self.left < 0:
                self.left = 99
                raise OSError(errno.ENOSPC, "no space left")

        @override
        def append(self, path: str, content: bytes) -> None:
            super().append(path, content[: len(content) // 2])
            self._step()
            super().append(path, content[len(content) // 2 :])

        @override
        def sync(self, path: str) -> None:
            super().sync(path)
            self._step()

        @override
        def replace(self, source: str, target: str) -> None:
            self._step()
            super().replace(source, target)

        @override
        def sync_dir(self, path: str) -> None:
            super().sync_dir(path)
            self._step()

    files = Nth({PLACE: PLAIN})
    with pytest.raises(StorageError, match="cannot be compressed"):
        pack_sealed(files, PLACE)
    assert files.content == {PLACE: PLAIN if nth < 3 else SMALL}
    pack_sealed(files, PLACE)
    assert files.content == {PLACE: SMALL}


def test_a_compressed_segment_that_somebody_put_back_into_the_journal_is_gone_on_with() -> None:
    path = f"{paths.journal_folder(FIXTURE)}/{PLACE.rpartition('/')[2]}"
    files = MemoryFiles({path: SMALL})
    (leftover,) = recover(files, FIXTURE).leftovers
    assert files.read(path) == PLAIN
    assert leftover.segment.last_record_no == read_segment(PLAIN).last_record_no


def test_the_journal_compresses_what_it_seals_and_verify_reads_it_and_names_damage(tmp_path: Path) -> None:
    night = full_night(tmp_path)
    folder = paths.sealed_folder(FIXTURE)
    names = night.files.list(folder)
    for entry in night.catalogue.segments():
        content = night.files.read(entry.path)
        assert is_packed(content)
        assert entry.bytes == len(content)
    assert verify(tmp_path).runs[0].segments == len(names) == 3
    assert verify(tmp_path).ok
    place = tmp_path / folder / names[1]
    spoilt = bytearray(place.read_bytes())
    spoilt[random.Random(1).randrange(500, len(spoilt) - 200)] ^= 4
    place.write_bytes(bytes(spoilt))
    problems = verify(tmp_path).runs[0].problems
    assert {(each.kind, each.path) for each in problems} == {("tape", f"{folder}/{names[1]}")}
    assert any("1 stretch of the compressed tape is damaged" in each.detail for each in problems)
