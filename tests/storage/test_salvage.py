"""Damage inside a tape costs the records that it hit, and no number is ever given out again."""

from hypothesis import given
from hypothesis import strategies as st
from tests.storage.scenario import mixed_records, segment_bytes

from nightturn.model.records import Tick
from nightturn.storage import tape
from nightturn.storage.salvage import Damage, aside_path, kept_aside, last_used, mended, salvage
from nightturn.storage.segment import read_segment

NAME = "journal/pan-a1/000000000001-0000000000c0ffee.ntj"
RECORDS = mixed_records(4)
CONTENT = segment_bytes(RECORDS)


@given(st.integers(0, len(CONTENT) * 8 - 1))
def test_one_flipped_bit_costs_at_most_one_record(bit: int) -> None:
    content = bytearray(CONTENT)
    content[bit // 8] ^= 1 << bit % 8
    found = salvage(bytes(content), NAME)
    assert found is not None
    numbers = [entry.record_no for entry in found.entries if entry.kind != tape.SNAPSHOT]
    lost = sorted(set(range(1, len(RECORDS) + 1)) - set(numbers))
    assert len(lost) <= 1
    assert found.last_used == last_used(bytes(content), NAME) == len(RECORDS)
    again = read_segment(mended(bytes(content), found, read_segment(CONTENT).header, b"state"))
    assert again.dropped_bytes == 0
    assert [snapshot.state for snapshot in again.snapshots()] == [b"state"]
    assert {number: record for number, record in again.records() if number not in lost} == {
        number: record for number, record in enumerate(RECORDS, 1) if number not in lost
    }
    assert again.last_record_no == len(RECORDS)


@given(st.integers(0, len(CONTENT)), st.integers(1, 400))
def test_a_stretch_of_zeros_costs_the_records_that_it_touches(start: int, length: int) -> None:
    content = bytearray(CONTENT)
    content[start : start + length] = bytes(len(content[start : start + length]))
    found = salvage(bytes(content), NAME)
    assert found is not None
    whole = read_segment(CONTENT)
    untouched = {
        entry.record_no
        for entry in whole._entries
        if entry.stop + tape.CRC.size <= start or entry.start - tape.HEADER.size >= start + length
    }
    assert untouched <= {entry.record_no for entry in found.entries}


@given(st.integers(0, len(CONTENT)))
def test_a_torn_tail_is_no_damage_and_its_number_is_free(stop: int) -> None:
    found = salvage(CONTENT[:stop], NAME)
    assert found is not None
    assert found.damages == () or found.header is None
    assert found.last_used == max([0, *(entry.record_no for entry in found.entries)])


def test_bytes_of_another_segment_are_never_taken_for_records() -> None:
    other = tape.encode_records([Tick(1, 1)] * 9, 3, tape.salt_of(99))
    found = salvage(segment_bytes(RECORDS[:2]) + other, NAME)
    assert found is not None
    assert [entry.record_no for entry in found.entries] == [0, 1, 2]


def test_the_name_of_the_bytes_set_aside_says_which_numbers_they_used() -> None:
    path = aside_path(NAME, Damage(500, 700, 8, 19))
    assert kept_aside(path.rpartition("/")[2]) == (NAME.rpartition("/")[2], 8, 19)
    assert last_used(b"whatever", path) == 19
    assert kept_aside(NAME) is None


@given(st.integers(0, len(segment_bytes([])) * 8 - 1))
def test_a_damaged_snapshot_or_header_without_records_uses_no_number(bit: int) -> None:
    content = bytearray(segment_bytes([]))
    content[bit // 8] ^= 1 << bit % 8
    found = salvage(bytes(content), NAME)
    assert found is not None
    assert found.last_used <= 1  # a kind that was flipped cannot be told from a record's
