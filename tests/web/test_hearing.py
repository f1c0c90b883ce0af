"""From a daemon's rows to a page's words: the newest counts, nothing is older than it says, silence is said."""

import threading
from collections.abc import Callable, Iterator
from multiprocessing import Pipe
from pathlib import Path
from typing import Any

import msgspec
import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from tests.telemetry.test_night_so_far import verdict
from tests.telemetry.watching import cycle, live_row, state_row
from tests.waiting import wait
from tests.web.conftest import client_of
from tests.web.test_pages import tile

from nightturn.model.records import Emit
from nightturn.model.rows import LIVE, NO_RUN, STATE, LiveRow, StandingRow
from nightturn.model.traces import Trace
from nightturn.model.verdicts import UNDECIDED
from nightturn.sentences.morning import Severity
from nightturn.sentences.now import now_sentence
from nightturn.web.feed import Feed, Fixtures, Message, Word
from nightturn.web.heard import SILENT_S, TRACES_MAX, Hearing
from nightturn.web.live_word import live_word
from nightturn.web.nights import Nights
from nightturn.web.told import idle, told

FIXTURES = Fixtures(("pan-a1", "pan-a2"), "quillfen", "quillfen, crane-hall", "Europe/Vienna")


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now_s = 100.0

    def __call__(self) -> float:
        return self.now_s


def hearing(clock: Callable[[], float], *words: Word) -> Hearing:
    made = Hearing(clock)
    made.take(msgspec.msgpack.encode(Message(FIXTURES, words)))
    return made


def trace(ts: int) -> Trace:
    return Trace(ts, (0.02, 0.0), (-0.1, -0.2), (0.1, 0.2))


def test_a_fixture_that_says_nothing_is_silent_and_shows_nothing_of_now() -> None:
    clock = Clock()
    heard = hearing(clock, Word("pan-a1", state=state_row(), live=live_row(trace=trace(1))))

    clock.now_s += SILENT_S
    now = heard.heard("pan-a1")
    assert now is not None
    assert not now.silent
    clock.now_s += 0.1
    now = heard.heard("pan-a1")
    assert now is not None
    assert now.silent
    assert heard.traces("pan-a1") == ()
    word = live_word(now, heard.traces("pan-a1"), "Europe/Vienna")
    assert (word.silent, word.ago_s, word.text) == (True, (), "")
    glance = told(tile("pan-a1", value="ripple 0.5 %"), now, "Europe/Vienna")
    assert (glance.silent, glance.turning, glance.value) == (True, False, "")
    assert glance.sentence.startswith("No word from it since")
    assert "It was turning" in glance.sentence


def test_the_newest_cycle_reaches_a_page_before_its_files_with_progress_temperatures_and_inputs() -> None:
    here, there = Pipe()
    feed = Feed(FIXTURES)
    feed.offer("pan-a1", Emit(STATE, state_row(night_verdict=verdict(UNDECIDED))))
    feed.offer("pan-a1", Emit(LIVE, live_row(cycles_done=3, cycles_planned=71)))
    feed.offer("pan-a1", cycle())
    feed.start(here, lambda: None)
    heard = Hearing(lambda: 1.0)
    for _ in range(2):  # which fixtures there are, then their newest words
        heard.take(there.recv_bytes())
    feed.close()
    now = heard.heard("pan-a1")
    assert now is not None
    rows = live_word(now, (), "Europe/Vienna").rows
    assert rows[0] == ("friction, cycle 4", "118.0 ± 6.4 mN·m")
    assert ("cycles", "3 of 71 done") in rows
    assert ("expected end", "not known") in rows
    glance = told(tile("pan-a1", value="friction 90 mN·m", foot="cycle 2 of 71"), now, "Europe/Vienna")
    assert glance.value == "friction 118.0 ± 6.4 mN·m (repeatability), 150 mN·m allowed"
    assert glance.foot.startswith("cycle 4 of 71, ")
    assert ("bearing", "31.5 °C") in rows
    assert rows[-1] == ("guard closed", "on")

    heard.take(msgspec.msgpack.encode(Message(words=(Word("pan-a1", state=state_row(run="another")),))))
    now = heard.heard("pan-a1")
    assert now is not None
    assert now.cycle is None


def test_a_fixture_without_a_core_is_as_alive_as_its_daemon() -> None:
    clock = Clock()
    row = StandingRow(
        ts=1, state=NO_RUN, run="", reason="no unit is mounted", waits_for="`nightturn mount` begins a run"
    )
    heard = hearing(clock, Word("pan-a2", standing=row))

    for _ in range(10):
        clock.now_s += 1.0
        heard.take(msgspec.msgpack.encode(Message()))
    now = heard.heard("pan-a2")
    assert now is not None
    assert not now.silent
    glance = told(idle("pan-a2"), now, "Europe/Vienna")
    assert (glance.word, glance.sentence) == ("idle", "No unit is mounted; `nightturn mount` begins a run.")
    clock.now_s += SILENT_S + 1
    now = heard.heard("pan-a2")
    assert now is not None
    assert now.silent


def test_a_locked_shaft_asks_for_a_person_and_says_why() -> None:
    clock = Clock()
    row = state_row("locked", reason="guard opened", waits_for="waits for `nightturn go`", locks=())
    now = hearing(clock, Word("pan-a1", state=row)).heard("pan-a1")
    assert now is not None

    glance = told(tile("pan-a1", run=row.run), now, "UTC")
    assert glance.need is Severity.TODAY
    assert glance.sentence == "Standing still: guard opened."
    assert glance.more == "Waits for `nightturn go`."
    assert not glance.turning


def test_the_last_minute_is_kept_and_no_more() -> None:
    clock = Clock()
    heard = hearing(clock)
    for second in range(TRACES_MAX + 30):
        word = Word("pan-a1", live=live_row(trace=trace(second)))
        heard.take(msgspec.msgpack.encode(Message(words=(word,))))

    kept = heard.traces("pan-a1")
    assert [each.ts for each in kept] == list(range(30, TRACES_MAX + 30))


def test_what_the_sensors_do_not_show_is_said_to_be_not_shown() -> None:
    nothing = now_sentence(LiveRow(ts=1, run="r", phase="", cycle_no=1))

    assert nothing == "Phase not known, no torque is shown now."
    assert "0.0" not in nothing
    turning = LiveRow(
        ts=1,
        run="r",
        phase="slow_turn",
        cycle_no=1,
        position_deg=296.42,
        torque_nm=0.1,
        torque_mean_nm=0.0812,
    )
    assert (
        now_sentence(turning)
        == "Slow turn, at 296.4° from the travel zero, mean torque of the last second 81.2 mN·m."
    )


def test_a_pipe_that_nobody_reads_costs_the_loop_nothing_and_keeps_the_newest() -> None:
    reader, writer = Pipe(duplex=False)
    feed = Feed(FIXTURES)
    gone = threading.Event()
    feed.start(writer, gone.set)
    for second in range(5000):
        feed.offer("pan-a1", Emit(LIVE, live_row(ts=second)))
        feed.offer("pan-a1", Emit(STATE, state_row(ts=second)))

    assert feed.replaced > 4000
    newest: list[int] = []

    def heard_last() -> bool:
        while reader.poll():
            words = msgspec.msgpack.decode(reader.recv_bytes(), type=Message).words
            newest.extend(word.live.ts for word in words if word.live is not None)
        return bool(newest) and newest[-1] == 4999

    wait(heard_last, lambda: f"the newest heard is {newest[-1:]}")
    reader.close()
    feed.offer("pan-a1", Emit(LIVE, live_row(ts=1)))
    wait(gone.is_set, lambda: "nobody noticed that the reader is gone")
    feed.close()


def test_a_feed_that_is_closed_calls_nobody() -> None:
    reader, writer = Pipe(duplex=False)
    feed = Feed(FIXTURES)
    gone = threading.Event()
    feed.start(writer, gone.set)
    feed.close()
    reader.close()
    writer.close()

    assert not gone.wait(0.6)


@pytest.mark.parametrize("state", ["unrecorded", "failed"])
def test_a_fixture_that_is_not_recorded_is_urgent(state: str) -> None:
    row = StandingRow(ts=1, state=state, run="r", reason="the tape takes no records", waits_for="waits")
    now = hearing(Clock(), Word("pan-a1", standing=row)).heard("pan-a1")
    assert now is not None

    glance = told(tile("pan-a1"), now, "UTC")
    assert (glance.need, glance.turning) == (Severity.ACT_NOW, False)
    assert "The tape takes no records" in glance.sentence


def families_of(text: str) -> dict[str, Any]:
    """Parsed by another program's parser."""
    parse: Callable[[str], Iterator[Any]] = text_string_to_metric_families
    return {each.name: each.samples for each in parse(text)}


def test_metrics_have_what_is_heard_and_no_sample_of_who_is_silent(tmp_path: Path) -> None:
    clock = Clock()
    heard = hearing(clock, Word("pan-a1", state=state_row(), live=live_row()))
    client = client_of(Nights(tmp_path, heard))

    answer = client.get("/metrics")
    assert answer.headers["content-type"].startswith("application/openmetrics-text; version=1.0.0")
    families = families_of(answer.text)
    states = {
        s.labels["nightturn_fixture_state"]: s.value
        for s in families["nightturn_fixture_state"]
        if s.labels["fixture"] == "pan-a1"
    }
    assert states["turning"] == 1
    assert sum(states.values()) == 1
    clock.now_s += SILENT_S + 1
    later = families_of(client.get("/metrics").text)
    assert not [s for samples in later.values() for s in samples if s.labels.get("fixture") == "pan-a1"]
    assert client_of(Nights(tmp_path)).get("/metrics").status_code == 503
