"""A handover lists what is open, names what it cannot read, and never says of now what was recorded before."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from tests.logbook.writing import entry
from tests.shift.conftest import HOUR_NS, NOW_NS
from tests.storage.scenario import FIXTURE, RUN, STARTED_NS
from tests.storage.store import Night

from nightturn.bench.room import ENOUGH_BYTES
from nightturn.calibration.records import parse
from nightturn.daemon.control_client import NoDaemonError
from nightturn.daemon.control_protocol import VERSION, Answer, Request
from nightturn.errors import DeviceError
from nightturn.estimation.purpose import NOT_ASKED
from nightturn.model.facts import Lock
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Emit
from nightturn.model.rows import EVENTS, EventRow
from nightturn.model.verdicts import ACCEPT, UNDECIDED
from nightturn.shift import handover as room
from nightturn.shift.handover import handover
from nightturn.shift.open_items import OpenItem
from nightturn.storage.files import RealFiles
from nightturn.storage.logbook import LOG, add_entry
from nightturn.storage.manifest import RUNNING, Manifest, MotionStood, read_manifest, write_manifest


def changed(root: Path, **fields: object) -> Manifest:
    files = RealFiles(root)
    manifest = msgspec.structs.replace(read_manifest(files, FIXTURE, RUN), **fields)
    write_manifest(files, manifest)
    return manifest


def items(root: Path, kind: str = "", *, days: int = 4000, now_ns: int = NOW_NS) -> list[OpenItem]:
    return [each for each in handover(root, now_ns, days).items if kind in {"", each.kind}]


def answering(monkeypatch: pytest.MonkeyPatch, answer: Callable[[Request], Answer]) -> None:
    monkeypatch.setattr(room, "ask", lambda _root, request: answer(request))


def test_where_nothing_is_open_nothing_is_listed(root: Path) -> None:
    found = handover(root, NOW_NS, 4000)
    assert (found.items, found.daemon, found.fixtures, found.timezone) == ((), False, (), "Europe/Vienna")


def test_what_a_daemon_says_that_a_fixture_waits_for_is_open(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def answer(request: Request) -> Answer:
        if not request.fixture:
            return Answer(VERSION, request.id, ok=True, fixtures=("pan-a1", "pan-b1", "pan-c1"))
        if request.fixture == "pan-c1":
            return Answer(VERSION, request.id, ok=False, problem="its worker does not answer")
        waits = "waits for `nightturn go pan-b1`" if request.fixture == "pan-b1" else ""
        return Answer(VERSION, request.id, ok=True, state="locked" if waits else "turning", waits_for=waits)

    answering(monkeypatch, answer)
    found = handover(root, NOW_NS, 4000)
    assert (found.daemon, found.fixtures[0]) == (True, ("pan-a1", "turning"))
    assert [(each.kind, each.of) for each in found.items] == [("fixture", "pan-b1"), ("unread", "pan-c1")]
    assert "waits for `nightturn go pan-b1`" in found.items[0].text


def test_a_daemon_that_does_not_answer_is_said_and_nothing_recorded_stands_for_it(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    changed(root, state=RUNNING, motion=MotionStood(state="locked", text="the guard is open", ts=STARTED_NS))

    def answer(_request: Request) -> Answer:
        raise DeviceError("the daemon does not answer; use the emergency stop")

    answering(monkeypatch, answer)
    found = handover(root, NOW_NS, 4000)
    assert found.daemon
    assert [(each.kind, each.of, each.text) for each in found.items] == [
        ("unread", "daemon", "the daemon does not answer; use the emergency stop")
    ]


def test_without_a_daemon_what_was_recorded_last_is_said_to_be_that(root: Path) -> None:
    changed(root, state=RUNNING, motion=MotionStood(state="locked", text="the guard is open", ts=STARTED_NS))
    (item,) = items(root, "fixture")
    assert item.text == "recorded last, no daemon says what holds now: it was locked: the guard is open"
    lock = Lock("tripped", "the shaft did not stop", STARTED_NS + HOUR_NS)
    changed(root, state="ended", locks=(lock,))
    (item,) = items(root, "fixture")
    assert "the shaft did not stop, since 2026-11-25 23:30:00 +01:00" in item.text


def test_an_undecided_verdict_is_open_and_an_accepted_one_is_not(root: Path) -> None:
    verdict = NightVerdict(UNDECIDED, ("friction stands at its limit",), would_decide=("12 more cycles",))
    changed(root, night_verdict=verdict)
    (item,) = items(root)
    assert (item.kind, item.of, item.then) == ("verdict", "Q-0117", "12 more cycles")
    assert (
        "friction stands at its limit; engineering: recorded by a version that kept no purpose" in item.text
    )
    changed(root, night_verdict=NightVerdict(ACCEPT, ()))
    assert items(root) == []


def test_an_accepted_night_that_was_to_be_a_release_and_is_none_is_open(root: Path) -> None:
    because = ("no reference check of pan-a1 is on record",)
    verdict = NightVerdict(ACCEPT, (), purpose="engineering", engineering_because=because)
    changed(root, night_verdict=verdict)
    (item,) = items(root)
    assert (item.kind, item.of) == ("verdict", "Q-0117")
    assert item.text.endswith(
        "accepts it, but releases nothing: engineering: no reference check of pan-a1 is on record"
    )
    changed(root, night_verdict=msgspec.structs.replace(verdict, engineering_because=(NOT_ASKED,)))
    assert items(root) == []


def test_a_limit_that_cycles_are_still_to_confirm_is_open_while_its_run_goes_on(tmp_path: Path) -> None:
    def sign(kind: str, figure: str, after: int) -> Emit:
        said = f"{figure} is 0.5 N·m, beyond its protective limit of 0.4 N·m: 1 of the newest 5 cycles, 3 are to confirm it"
        return Emit(EVENTS, EventRow(STARTED_NS + after, 1, after, kind, "warning", said))

    night = Night(tmp_path)
    rows = [
        sign("limit_unconfirmed", "friction_nm", 1),
        sign("limit_unconfirmed", "zero_nm", 2),
        sign("limit_exceeded", "friction_nm", 3),
    ]
    night.add_chunk(500, rows=rows)
    night.files.close()
    (item,) = [each for each in items(tmp_path) if each.kind == "limit"]
    assert (item.of, item.text.partition(" ")[0]) == (FIXTURE, "zero_nm")
    changed(tmp_path, state="ended")
    assert items(tmp_path, "limit") == []


@pytest.mark.parametrize(
    ("age_days", "said"),
    [(334, ""), (335, "due in 30 days"), (365, "due today"), (400, "due for 35 days")],
)
def test_a_calibration_is_due_by_its_age(root: Path, age_days: int, said: str) -> None:
    valid_from_ns = (
        1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z, of the record in tests/storage/damages.py
    )
    found = items(root, days=365, now_ns=valid_from_ns + age_days * 24 * HOUR_NS + 1)
    assert [each.kind for each in found] == (["calibration"] if said else [])
    assert all(said in each.text and each.of == "TR-Q-0117" for each in found)


@pytest.mark.parametrize(
    ("days_left", "said"),
    [(31, ""), (30, "due in 30 days"), (-2, "expired on 2026-12-01, 2 days ago")],
)
def test_a_calibration_with_an_end_of_its_own_is_due_by_that_whatever_its_age(
    root: Path, days_left: int, said: str
) -> None:
    path = next(iter((root / "calibrations").iterdir()))
    record = msgspec.structs.replace(
        parse(path.read_text("utf-8"), where=path.name)[-1], valid_until=datetime(2026, 12, 1, tzinfo=UTC)
    )
    path.write_bytes(msgspec.json.encode(record) + b"\n")
    end_ns = 1_796_083_200_000_000_000  # 2026-12-01T00:00:00Z
    found = items(root, days=1, now_ns=end_ns - days_left * 24 * HOUR_NS)
    assert [each.kind for each in found] == (["calibration"] if said else [])
    assert all(said in each.text for each in found)


def test_a_transducer_without_a_record_and_a_record_that_cannot_be_read_are_open(root: Path) -> None:
    path = next(iter((root / "calibrations").iterdir()))
    path.write_text("{}\n")
    assert [each.kind for each in items(root)] == ["unread"]
    path.unlink()
    (item,) = items(root)
    assert "nobody knows since when" in item.text


def test_a_line_that_nobody_has_answered_is_open_until_somebody_does(root: Path) -> None:
    asked = add_entry(root, entry(0, text="look at the plug", open=True, at_ts=STARTED_NS))
    (item,) = items(root)
    assert (item.kind, item.of) == ("note", str(asked.number))
    assert "look at the plug" in item.text
    assert "2026-11-25 22:30:00 +01:00" in item.text
    add_entry(root, entry(0, "closed", closes=asked.number))
    assert items(root) == []


def test_a_logbook_that_cannot_be_read_is_open_since_it_may_hold_something_open(root: Path) -> None:
    add_entry(root, entry(0, open=True))
    log = root / LOG
    log.write_bytes(log.read_bytes().replace(b"heard", b"beard"))
    (item,) = items(root)
    assert (item.kind, item.of) == ("unread", LOG)


def test_a_disk_on_which_nothing_would_turn_is_open(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(RealFiles, "room", lambda _self: ENOUGH_BYTES)
    assert items(root) == []
    monkeypatch.setattr(RealFiles, "room", lambda _self: ENOUGH_BYTES - 1)
    (item,) = items(root)
    assert item.kind == "disk"
    assert "nothing begins to turn with less than 1.5 GB" in item.text

    def unreadable(_self: RealFiles) -> int:
        raise OSError("no such device")

    monkeypatch.setattr(RealFiles, "room", unreadable)
    assert [each.kind for each in items(root)] == ["unread"]


def test_no_daemon_is_another_thing_than_one_that_is_silent(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def answer(_request: Request) -> Answer:
        raise NoDaemonError("none runs")

    answering(monkeypatch, answer)
    assert not handover(root, NOW_NS, 4000).daemon
