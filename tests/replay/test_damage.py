"""A tape cut anywhere or with a bit flipped: replayed up to the damage, told in bytes, never a traceback."""

from pathlib import Path
from typing import cast

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.model.facts import DECODERS, RUN_OPENED
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_file
from nightturn.replay.verdict import Options, replay_log
from nightturn.storage.segment import decode_header, pack, read_segment

ANY_PLACE = settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
FORMS = st.sampled_from([Options(), Options(figures=True), Options(tile_samples=333)])


def check(tape: Path, content: bytes, first_bad: int, options: Options) -> None:
    """Replay what is left, and compare what is said with where the damage lies."""
    header, start = decode_header(content)
    whole = read_segment(tape.read_bytes())
    damaged = tape.with_name("damaged.ntj")
    damaged.write_bytes(content)
    left = read_segment(content)
    if left.good_bytes == start:
        with pytest.raises(CorruptFileError, match="nothing of it can be replayed"):
            replay_log(damaged, "", "latest", options)
        return
    outcome = replay_log(damaged, "", "latest", options)
    assert outcome.dropped_bytes == len(content) - left.good_bytes
    assert left.good_bytes <= first_bad
    assert outcome.record_last == left.last_record_no <= whole.last_record_no
    assert outcome.differences == ()
    assert outcome.identical == (outcome.dropped_bytes == 0)
    if outcome.dropped_bytes:
        (told,) = outcome.damage
        assert told.startswith(
            f"damaged.ntj: {outcome.dropped_bytes} bytes after record {outcome.record_last} are"
        )
        assert "identical up to the damage" in outcome.lines()[0]
    assert header.first_record_no == 1


@ANY_PLACE
@given(data=st.data(), options=FORMS)
def test_a_tape_cut_anywhere_replays_up_to_the_cut(
    brief: Path, data: st.DataObject, options: Options
) -> None:
    content = brief.read_bytes()
    _, start = decode_header(content)
    cut = data.draw(st.integers(start, len(content)))
    check(brief, content[:cut], cut, options)


@ANY_PLACE
@given(data=st.data(), options=FORMS)
def test_a_flipped_bit_ends_the_tape_before_its_record(
    brief: Path, data: st.DataObject, options: Options
) -> None:
    content = bytearray(brief.read_bytes())
    _, start = decode_header(bytes(content))
    place = data.draw(st.integers(start, len(content) - 1))
    content[place] ^= 1 << data.draw(st.integers(0, 7))
    check(brief, bytes(content), place, options)


@ANY_PLACE
@given(data=st.data())
def test_a_damaged_header_is_one_error_that_names_the_file(brief: Path, data: st.DataObject) -> None:
    content = bytearray(brief.read_bytes())
    _, start = decode_header(bytes(content))
    place = data.draw(st.integers(0, start - 1))
    content[place] ^= 1 << data.draw(st.integers(0, 7))
    damaged = brief.with_name("damaged.ntj")
    damaged.write_bytes(content)
    with pytest.raises((CorruptFileError, SchemaVersionError), match=r"damaged\.ntj: "):
        replay(tape_of_file(damaged))


def test_a_record_of_another_version_is_an_error_and_not_a_traceback(
    brief: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The bytes are whole, but what they say does not fit this version."""
    monkeypatch.setitem(cast("dict[str, object]", DECODERS), RUN_OPENED, msgspec.msgpack.Decoder(int).decode)
    with pytest.raises(CorruptFileError, match="recorded by another version of nightturn"):
        replay(tape_of_file(brief))


def test_a_compressed_tape_that_is_damaged_where_it_begins_says_so_and_how_much_is_whole(brief: Path) -> None:
    packed = pack(brief.read_bytes())
    assert packed is not None
    content = bytearray(packed)
    content[decode_header(packed)[1] + 2000] ^= 1
    damaged = brief.with_name("damaged_block.ntj")
    damaged.write_bytes(bytes(content))
    with pytest.raises(
        CorruptFileError, match=r"the core's state begins: 1 stretch of the compressed tape is damaged"
    ):
        replay_log(damaged, "", "latest", Options())
