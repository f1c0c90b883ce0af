"""The minute a person asks for: from the nearest snapshot, the same as from the beginning; and as a tape of its own."""

import re
from pathlib import Path

import msgspec
import pytest
from replay_logs.make import FOLDER
from tests.cli.terminal import typed

from nightturn.cli.replay_text import ROWS_MAX, clock, second_rows, sensors_title
from nightturn.errors import ConfigError, StorageError
from nightturn.model.clocks import NS_PER_S
from nightturn.model.quantities import fixed
from nightturn.replay.asked import stretch_of
from nightturn.replay.cut_out import cut_out
from nightturn.replay.full import replay
from nightturn.replay.shown_again import Shown, show_again, span_of
from nightturn.replay.tapes import Tape, tape_of_file

TAPE = FOLDER / "outage_and_cable.ntj"


@pytest.fixture(scope="module")
def tape() -> Tape:
    return tape_of_file(TAPE)


@pytest.fixture(scope="module")
def whole(tape: Tape) -> Shown:
    first, last = span_of(tape)
    assert last - first < 900 * NS_PER_S
    return show_again(tape, first, last)


def test_the_whole_of_a_tape_holds_every_sample_and_every_event_in_order(tape: Tape, whole: Shown) -> None:
    seen = replay(tape)
    assert sum(each.samples for each in whole.seconds) == pytest.approx(seen.samples, rel=0.02)
    events = [line for line in whole.lines if line.what == "event"]
    assert len(events) >= len([row for row in seen.rows.events if row.ts >= whole.from_ts]) - 2
    assert [line.ts for line in whole.lines] == sorted(line.ts for line in whole.lines)


def test_a_second_without_a_sample_says_so(whole: Shown) -> None:
    silent = [each for each in whole.seconds if not each.samples]
    assert len(silent) > 5  # the outage
    assert {each.torque_mean_nm for each in silent} == {None}
    for each in whole.seconds:
        if each.samples:
            assert each.torque_min_nm is not None
            assert each.torque_mean_nm is not None
            assert each.torque_max_nm is not None
            assert each.torque_min_nm <= each.torque_mean_nm <= each.torque_max_nm


def test_an_output_that_is_only_renewed_is_one_line(whole: Shown) -> None:
    switched = [line.text for line in whole.lines if line.text.startswith("SWITCH")]
    assert len(switched) == len(
        [text for at, text in enumerate(switched) if at == 0 or text != switched[at - 1]]
    )


def test_a_minute_is_the_same_minute_of_the_whole(tape: Tape, whole: Shown) -> None:
    begin = (whole.from_ts // NS_PER_S + 40) * NS_PER_S
    minute = show_again(tape, begin, begin + 60 * NS_PER_S)
    inside = [
        line for line in whole.lines if begin <= line.ts <= begin + 60 * NS_PER_S and line.what != "state"
    ]
    assert [line for line in minute.lines if line.what != "state"] == inside
    assert minute.seconds == tuple(each for each in whole.seconds if begin <= each.ts < begin + 60 * NS_PER_S)
    assert minute.before


def test_a_cut_is_a_tape_that_replays_identical_and_the_same_bytes_each_time(
    tape: Tape, whole: Shown, tmp_path: Path
) -> None:
    begin = whole.from_ts + 60 * NS_PER_S
    one, two = tmp_path / "one.ntj", tmp_path / "two.ntj"
    count = cut_out(tape, begin, begin + 90 * NS_PER_S, one)
    cut_out(tape, begin, begin + 90 * NS_PER_S, two)
    assert one.read_bytes() == two.read_bytes()
    seen = replay(tape_of_file(one))
    assert seen.records == count
    assert seen.first_difference == ""
    assert seen.damage == []
    with pytest.raises(StorageError, match="exists; give the cut another name"):
        cut_out(tape, begin, begin + NS_PER_S, one)
    with pytest.raises(StorageError, match="no record in that stretch"):
        cut_out(tape, whole.to_ts + NS_PER_S, whole.to_ts + 2 * NS_PER_S, tmp_path / "none.ntj")
    assert not (tmp_path / "none.ntj").exists()


def test_commands_are_in_degrees_and_inputs_and_phases_in_words(tape: Tape, whole: Shown) -> None:
    said = " ".join(line.text for line in whole.lines)
    assert re.search(r"DRIVE turning drive turns by −?[\d.]+° at −?[\d.]+ rpm", said)
    assert not any("counts" in line.text for line in whole.lines if line.what == "command")
    assert "slow turn, cycle 1" in said
    assert "slow_turn" not in said
    begin = (whole.from_ts // NS_PER_S + 60) * NS_PER_S
    assert "guard closed, stop chain healthy" in show_again(tape, begin, begin + NS_PER_S).inputs
    opened = [line.text for line in whole.lines if line.what == "inputs"]
    assert opened
    assert any("not guard closed" in text for text in (whole.inputs, *opened))


def test_a_stretch_too_long_to_read_is_refused(tape: Tape, whole: Shown) -> None:
    with pytest.raises(StorageError, match="more than 900 s is not shown line by line"):
        show_again(tape, whole.from_ts, whole.from_ts + 901 * NS_PER_S)


@pytest.mark.parametrize(
    ("at", "until", "around", "said"),
    [
        ("", "03:00", "", "no stretch is named"),
        ("03:00", "", "boot", "do not go together"),
        ("", "", "", "no stretch is named"),
    ],
)
def test_options_that_do_not_go_together(at: str, until: str, around: str, said: str) -> None:
    with pytest.raises(ConfigError, match=f"--at, --until, --around: {said}"):
        stretch_of(TAPE, "", "latest", at, until, around)


@pytest.mark.parametrize(
    "options",
    [
        ["--what-if", "limits.toml", "--at", "03:12"],
        ["--what-if", "limits.toml", "--accept"],
        ["--at", "03:12", "--tile", "100"],
        ["--at", "03:12", "--cut", "cut.ntj", "--json"],
    ],
)
def test_no_option_is_left_out_without_a_word(options: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = typed(["replay", str(TAPE), *options], capsys)
    assert code == 2
    assert "do not go together" in err


def test_behind_the_end_of_a_tape_no_sample_is_missing(whole: Shown) -> None:
    last = whole.to_ts // NS_PER_S - 3
    at = f"{last // 3600 % 24:02d}:{last // 60 % 60:02d}:{last % 60:02d}"
    asked = stretch_of(TAPE, "", "latest", at, "", "")
    assert asked.beside == ("the tape ends there",)
    assert whole.to_ts <= asked.to_ts < whole.to_ts + NS_PER_S
    inside = stretch_of(
        TAPE, "", "latest", at, f"{last // 3600 % 24:02d}:{last // 60 % 60:02d}:{last % 60 + 1:02d}", ""
    )
    assert (inside.beside, inside.to_ts - inside.from_ts) == ((), NS_PER_S)


def test_no_second_is_left_out_of_a_longer_stretch(whole: Shown) -> None:
    rows = second_rows(whole, "UTC")
    step = -(-len(whole.seconds) // ROWS_MAX)
    assert step > 1
    assert f"a row for {step} s" in sensors_title(whole)
    assert len(rows) == -(-len(whole.seconds) // step)
    for at, row in enumerate(rows):
        seconds = whole.seconds[at * step : (at + 1) * step]
        highs = [each.torque_max_nm for each in seconds if each.torque_max_nm is not None]
        silent = len(seconds) - len(highs)
        if highs:
            assert f" to {fixed(max(highs), 3)}" in row[1]
            assert (f"{silent} s without samples" in row[1]) == bool(silent)
        else:
            assert row[1] == "no samples"


def test_of_a_minute_every_second_has_a_row(whole: Shown) -> None:
    minute = msgspec.structs.replace(whole, seconds=whole.seconds[:60])
    assert sensors_title(minute) == "sensors"
    assert [row[0] for row in second_rows(minute, "UTC")] == [
        clock(each.ts, "UTC") for each in minute.seconds
    ]


def test_an_event_needs_the_rows_of_a_run() -> None:
    with pytest.raises(ConfigError, match="--around: needs the rows of a run"):
        stretch_of(TAPE, "", "latest", "", "", "boot")


def test_the_command_shows_the_minute_in_eighty_columns(
    whole: Shown, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begin = whole.from_ts // NS_PER_S + 40
    asked = f"{begin // 3600 % 24:02d}:{begin // 60 % 60:02d}:{begin % 60:02d}"
    outcome = typed(["replay", str(TAPE), "--at", asked], capsys)
    assert outcome.code == 0
    assert "what happened" in outcome.out
    assert "sensors" in outcome.out
    assert all(len(line) <= 80 for line in outcome.out.splitlines() if "virtual:" not in line)
    cut = tmp_path / "cut.ntj"
    assert typed(["replay", str(TAPE), "--at", asked, "--cut", str(cut)], capsys).code == 0
    again = typed(["replay", str(cut)], capsys)
    assert again.code == 0
    assert "identical" in again.out
    outside = typed(["replay", str(TAPE), "--at", "2001-01-01T00:00"], capsys)
    assert outside.code == 2
    assert "lies outside the run" in outside.err
