"""The outbox on the disk: a daemon that is killed leaves what it had not delivered to the next one."""

import sqlite3
from pathlib import Path

import pytest

from nightturn.errors import StorageError
from nightturn.telemetry import outbox_store
from nightturn.telemetry.message import Message, latest, wanted
from nightturn.telemetry.outbox import Outbox
from nightturn.telemetry.outbox_store import OutboxStore


def anything_goes(_message: Message, _on_their_way: tuple[str, ...]) -> bool:
    return True


def box_of(store: OutboxStore) -> Outbox:
    return Outbox(100, lambda: None, store=store)


def payloads(box: Outbox) -> list[bytes]:
    found = []
    while (taken := box.take(anything_goes)) is not None:
        found.append(taken[1].payload)
    return found


def test_what_was_not_delivered_is_there_for_the_next_daemon_in_order_and_says_that_it_is_late(
    tmp_path: Path,
) -> None:
    store = OutboxStore(tmp_path / "outbox.sqlite")
    box = box_of(store)
    for number in range(5):
        box.put(wanted("ev", b'{"seq":%d}' % number))
    box.put(latest("live", b"{}"))
    _live, zero, one = (box.take(anything_goes) for _ in range(3))
    assert zero is not None
    assert one is not None
    box.done(zero[0])
    store.flush()  # killed here: one is on its way, and nothing is closed
    again = box_of(OutboxStore(tmp_path / "outbox.sqlite"))
    again.put(wanted("ev", b'{"seq":9}'))
    late = [b'{"seq":%d,"late":true}' % number for number in range(1, 5)]
    assert payloads(again) == late  # what is not late waits until these have arrived


def test_what_the_broker_refuses_is_kept_aside_the_newest_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(outbox_store, "PARKED_MAX", 3)
    store = OutboxStore(tmp_path / "outbox.sqlite")
    box = box_of(store)
    for number in range(5):
        box.put(wanted(f"ev/{number}", b"{}"))
        taken = box.take(anything_goes)
        assert taken is not None
        box.done(taken[0], "Not authorized")
        store.flush()
    assert store.refused() == [(f"ev/{number}", "Not authorized") for number in (2, 3, 4)]
    assert OutboxStore(tmp_path / "outbox.sqlite").load() == []


def test_a_file_that_is_none_is_put_aside_and_another_begun(tmp_path: Path) -> None:
    path = tmp_path / "outbox.sqlite"
    path.write_bytes(b"no database at all, but long enough to be looked at as one" * 40)
    store = OutboxStore(path)
    assert store.damaged == str(tmp_path / "outbox.damaged")
    assert store.load() == []
    with pytest.raises(StorageError):
        OutboxStore(tmp_path / "no" / "folder" / "outbox.sqlite")


def test_a_disk_that_takes_nothing_is_tried_again_and_nothing_is_lost(tmp_path: Path) -> None:
    store = OutboxStore(tmp_path / "outbox.sqlite")
    box = box_of(store)
    other = sqlite3.connect(tmp_path / "outbox.sqlite")
    store._base.execute("PRAGMA busy_timeout=1")
    other.execute("BEGIN IMMEDIATE")
    box.put(wanted("ev", b'{"seq":1}'))
    with pytest.raises(StorageError):
        store.flush()
    other.rollback()
    other.close()
    store.close()
    assert [message.payload for _, message in OutboxStore(tmp_path / "outbox.sqlite").load()] == [
        b'{"seq":1}'
    ]
