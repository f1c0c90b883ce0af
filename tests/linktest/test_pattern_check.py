"""The pattern's comparison: any bit, any block, any split."""

from collections.abc import Sequence

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.acquisition.fake_device import block_message

from nightturn.acquisition.outputs import BlockIn, Missing
from nightturn.linktest.findings import Findings
from nightturn.linktest.pattern_check import GAPS_KEPT_MAX, PatternCheck
from nightturn_protocol.framing import frame_body
from nightturn_protocol.messages import EncoderForm, Resend, SampleFlag
from nightturn_protocol.pattern import pattern_encoder, pattern_torque

TICKS_PER_SAMPLE = 100
HEAD = 8 + 36
BASE_AT = 8 + 16
FORMS = st.sampled_from([EncoderForm.DELTA16, EncoderForm.OFFSET32])
INDICES = st.integers(0, 1 << 40)


def block(
    index: int, count: int, form: int = EncoderForm.DELTA16, seq: int = 0, tick: int | None = None
) -> BlockIn:
    numbers = range(index, index + count)
    flags = int(SampleFlag.TEST_PATTERN)
    first_tick = index * TICKS_PER_SAMPLE if tick is None else tick
    message = block_message(
        index,
        first_tick,
        [pattern_torque(n) for n in numbers],
        [pattern_encoder(n) for n in numbers],
        form=form,
        flags=flags,
        stream=1,
    )
    return BlockIn(
        0, seq, index, first_tick, message.encoder_base, count, flags, 3, frame_body(message, 1, seq)
    )


def with_body(whole: BlockIn, body: bytes) -> BlockIn:
    return msgspec.structs.replace(whole, body=body)


def checked(blocks: Sequence[BlockIn], samples_per_block: int = 120) -> tuple[PatternCheck, Findings]:
    findings = Findings()
    check = PatternCheck(findings)
    check.begin(TICKS_PER_SAMPLE, samples_per_block)
    for each in blocks:
        check.block(each)
    return check, findings


@given(INDICES, st.integers(1, 60), FORMS)
def test_the_pattern_itself_has_nothing_wrong(index: int, count: int, form: int) -> None:
    check, findings = checked([block(index, count, form)])
    assert (check.wrong_bits, check.wrong_samples, check.samples) == (0, 0, count)
    assert findings.all() == ()


@given(INDICES, st.integers(1, 60), FORMS, st.data())
def test_any_single_wrong_bit_is_found_and_is_one(
    index: int, count: int, form: int, data: st.DataObject
) -> None:
    whole = block(index, count, form)
    places = [*range(BASE_AT, BASE_AT + 8), *range(HEAD, len(whole.body))]
    at, bit = data.draw(st.sampled_from(places)), data.draw(st.integers(0, 7))
    body = bytearray(whole.body)
    body[at] ^= 1 << bit
    check, findings = checked([with_body(whole, bytes(body))])
    assert check.wrong_bits == 1
    assert 1 <= check.wrong_samples <= count
    assert [finding.kind for finding in findings.all()] == ["wrong_bits"]


@given(INDICES, st.lists(st.integers(1, 40), min_size=1, max_size=8))
def test_any_split_into_blocks_is_as_good(index: int, counts: list[int]) -> None:
    starts = [index + sum(counts[:number]) for number in range(len(counts))]
    blocks = [
        block(start, count, seq=seq) for seq, (start, count) in enumerate(zip(starts, counts, strict=True))
    ]
    check, findings = checked(blocks)
    assert check.samples == sum(counts)
    assert check.tick_off_samples == 0
    assert findings.all() == ()


def test_a_base_that_a_first_step_makes_good_is_still_wrong() -> None:
    whole = block(1000, 10)
    body = bytearray(whole.body)
    body[BASE_AT : BASE_AT + 8] = (pattern_encoder(1000) - 1).to_bytes(8, "little", signed=True)
    body[HEAD + 30] = 1  # the first step, 0 by the rules of the wire
    check, findings = checked([with_body(whole, bytes(body))])
    assert check.wrong_samples == 0
    assert check.wrong_bits > 0
    assert "base and first step only agree together" in findings.all()[0].detail


@pytest.mark.parametrize(("off", "found"), [(49, False), (51, True), (-51, True)])
def test_half_a_sample_is_what_a_tick_may_be_off(off: int, found: bool) -> None:
    check, findings = checked([block(0, 10), block(10, 10, seq=1, tick=10 * TICKS_PER_SAMPLE + off)])
    assert check.tick_off_samples == pytest.approx(abs(off) / 100)
    assert bool(findings.all()) == found


def test_a_block_longer_than_set_up_is_found() -> None:
    _, findings = checked([block(0, 60)], samples_per_block=50)
    assert [finding.kind for finding in findings.all()] == ["block_too_long"]


def test_blocks_asked_for_again_count_as_repaired_across_the_wrap_of_the_number() -> None:
    check = PatternCheck(Findings())
    check.begin(TICKS_PER_SAMPLE, 120)
    check.asked_again(Resend(0xFFFF_FFFF, 2))
    for number, seq in enumerate([0xFFFF_FFFE, 0xFFFF_FFFF, 0, 1]):
        check.block(block(10 * number, 10, seq=seq))
    assert check.repaired == 2


def test_gaps_are_all_counted_and_the_first_are_kept() -> None:
    check = PatternCheck(Findings())
    for number in range(GAPS_KEPT_MAX + 5):
        check.gap(Missing("link", 100 * number, 100 * number + 7))
    assert check.gap_count == GAPS_KEPT_MAX + 5
    assert len(check.gaps) == GAPS_KEPT_MAX
    assert check.missing == {"link": 7 * (GAPS_KEPT_MAX + 5)}


def test_a_kind_of_finding_keeps_its_first_case_and_its_number() -> None:
    findings = Findings()
    findings.add("a", "the first", 2)
    findings.add("b", "another")
    findings.add("a", "the second")
    assert [(each.kind, each.count, each.detail) for each in findings.all()] == [
        ("a", 3, "the first"),
        ("b", 1, "another"),
    ]
