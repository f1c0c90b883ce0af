"""The tape: what is written comes back, and what is not whole never does.

The CRC is CRC-32C (Castagnoli): CRC-32/ISCSI of the catalogue of parametrised CRC algorithms, whose check value 0xE3069283
and residue 0xB798B438 are held here through what the tape writes; the residue with its final exclusive-or is 0x48674BC7.
"""

import pytest
from crc32c import crc32c
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.storage.scenario import mixed_records, segment_bytes

from generator import reference
from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.model.records import Bad, Frame, Host, Record, Tick
from nightturn.storage import tape
from nightturn.storage.segment import MAGIC, read_segment

int64 = st.integers(-(2**63), 2**63 - 1)
records_strategy = st.lists(
    st.one_of(
        st.builds(Frame, int64, st.binary(max_size=1024)),
        st.builds(Bad, int64, st.integers(0, 2**31), st.binary(max_size=64)),
        st.builds(Tick, int64, int64, st.integers(0, 2**32 - 1)),
        st.builds(Host, int64, st.text(max_size=20), st.binary(max_size=200)),
    ),
    max_size=12,
)


def test_the_checksum_is_the_crc_32_iscsi_of_the_catalogue() -> None:
    """Bit by bit, by the wire's reference: what is written with a salt of 0 has the residue of every CRC-32C."""
    assert reference.crc32c(b"123456789") == 0xE3069283
    for records in ([Frame(5, b"123456789")], [Tick(7, 9)], [Host(1, "note", b"")]):
        assert reference.crc32c(tape.encode_records(records, 1, 0)) == 0x48674BC7
    assert reference.crc32c(tape.encode_snapshot(b"state", 3, 5, 0)) == 0x48674BC7
    assert tape.salt_of(int.from_bytes(b"12345678", "little")) == reference.crc32c(b"12345678")


@given(records_strategy, st.integers(1, 2**63))
def test_any_records_come_back_with_their_numbers(records: list[Record], first: int) -> None:
    segment = read_segment(segment_bytes(records, first))

    assert list(segment.records()) == list(enumerate(records, first))
    assert segment.dropped_bytes == 0
    assert segment.last_record_no == first + len(records) - 1


def test_a_snapshot_comes_back_and_takes_no_number() -> None:
    salt = tape.salt_of(0xC0FFEE)
    records = mixed_records(1)
    content = segment_bytes(records) + tape.encode_snapshot(b"later", len(records), 5, salt)
    content += tape.encode_records([Tick(9, 9)], len(records) + 1, salt)
    segment = read_segment(content)

    assert [(s.last_record_no, s.state) for s in segment.snapshots()] == [
        (0, b"state"),
        (len(records), b"later"),
    ]
    assert segment.last_record_no == len(records) + 1


def test_a_tape_cut_at_any_byte_loses_only_the_torn_tail() -> None:
    records = mixed_records(3)
    content = segment_bytes(records)
    whole = len(segment_bytes([]))
    ends = [len(segment_bytes(records[:n])) for n in range(len(records) + 1)]
    for length in range(whole, len(content) + 1):
        segment = read_segment(content[:length])
        kept = sum(end <= length for end in ends) - 1
        assert [record for _, record in segment.records()] == records[:kept], length
        assert segment.good_bytes + segment.dropped_bytes == length


def test_a_tape_cut_inside_its_header_is_named_as_torn() -> None:
    content = segment_bytes([])
    header_end = read_segment(content).good_bytes - tape.HEADER.size - tape.CRC.size - len(b"state")
    for length in range(header_end):
        with pytest.raises(CorruptFileError, match=r"night\.ntj"):
            read_segment(content[:length], "night.ntj")


@settings(max_examples=300)
@given(st.data())
def test_a_flipped_bit_ends_the_tape_before_it(data: st.DataObject) -> None:
    records = mixed_records(3)
    content = bytearray(segment_bytes(records))
    start = len(segment_bytes([]))
    position = data.draw(st.integers(start, len(content) - 1))
    content[position] ^= 1 << data.draw(st.integers(0, 7))
    kept = sum(len(segment_bytes(records[: n + 1])) <= position for n in range(len(records)))
    segment = read_segment(bytes(content))

    assert [record for _, record in segment.records()] == records[:kept]
    assert segment.dropped_bytes > 0


@given(st.data())
def test_a_flipped_bit_in_the_header_is_refused(data: st.DataObject) -> None:
    content = bytearray(segment_bytes([]))
    header_end = len(content) - tape.HEADER.size - tape.CRC.size - len(b"state")
    content[data.draw(st.integers(0, header_end - 1))] ^= 1 << data.draw(st.integers(0, 7))
    with pytest.raises((CorruptFileError, SchemaVersionError)):
        read_segment(bytes(content))


@pytest.mark.parametrize("zeros", [1, 24, 28, 4096])
def test_zero_bytes_never_read_as_a_record(zeros: int) -> None:
    records = mixed_records(2)
    segment = read_segment(segment_bytes(records) + bytes(zeros))

    assert [record for _, record in segment.records()] == records
    assert segment.dropped_bytes == zeros


def test_records_of_another_segment_never_pass() -> None:
    stale = tape.encode_records([Tick(1, 1)], 1, tape.salt_of(0xBADCAFE))
    segment = read_segment(segment_bytes([]) + stale)

    assert list(segment.records()) == []
    assert segment.dropped_bytes == len(stale)


def test_a_record_out_of_its_number_ends_the_tape() -> None:
    salt = tape.salt_of(0xC0FFEE)
    content = segment_bytes([Tick(1, 1)]) + tape.encode_records([Tick(3, 3)], 3, salt)

    assert read_segment(content).last_record_no == 1


def test_a_kind_of_a_later_minor_version_is_passed_over() -> None:
    salt = tape.salt_of(0xC0FFEE)
    unknown = tape.HEADER.pack(tape.MAGIC, 99, 0, 2, 2, 0) + b"ab"
    unknown += tape.CRC.pack(crc32c(unknown, salt))
    content = segment_bytes([Tick(1, 1)]) + unknown + tape.encode_records([Tick(3, 3)], 3, salt)

    assert list(read_segment(content).records()) == [(1, Tick(1, 1)), (3, Tick(3, 3))]


def test_another_major_version_is_refused_and_named() -> None:
    content = bytearray(segment_bytes([]))
    content[len(MAGIC)] = 3
    with pytest.raises(SchemaVersionError, match=r"3\.0.*reads 1\.x and 2\.x"):
        read_segment(bytes(content))
