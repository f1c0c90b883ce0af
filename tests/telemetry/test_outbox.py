"""The outbox: bounded, ordered, and nothing leaves it unseen."""

import json
import threading

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.telemetry import outbox as outbox_module
from nightturn.telemetry.batches import BATCH_MAX
from nightturn.telemetry.message import Message, latest, retained, wanted
from nightturn.telemetry.outbox import Outbox


def anything_goes(_message: Message, _on_their_way: tuple[str, ...]) -> bool:
    return True


def outbox(queue_max: int = 100) -> Outbox:
    return Outbox(queue_max, lambda: None)


def take_all(box: Outbox) -> list[tuple[int, Message]]:
    taken = []
    while (entry := box.take(anything_goes)) is not None:
        taken.append(entry)
    return taken


def test_states_replace_each_other_and_go_before_the_queue() -> None:
    box = outbox()
    box.put(wanted("c", b"1"))
    box.put(retained("s", b"old"))
    box.put(retained("s", b"new"))
    box.put(latest("l", b"x"))
    assert box.backlog == 3
    assert [(message.topic, message.payload) for _, message in take_all(box)] == [
        ("s", b"new"), ("l", b"x"), ("c", b"1"),
    ]  # fmt: skip


def test_what_came_back_is_first_in_its_old_order_and_stale_values_are_not_repeated() -> None:
    box = outbox()
    for number in range(5):
        box.put(wanted("c", bytes([number])))
    box.put(latest("l", b"x"))
    taken = [box.take(anything_goes) for _ in range(4)]  # l, 0, 1, 2
    assert taken[2] is not None
    box.done(taken[2][0])
    assert box.give_back() == ("l", "c", "c")
    assert [message.payload for _, message in take_all(box)] == [b"\0", b"\2", b"\3", b"\4"]


def test_retained_messages_are_announced_again_until_they_are_cleared() -> None:
    box = outbox()
    box.put(retained("a", b"active"))
    box.put(retained("s", b"running"))
    for ticket, _ in take_all(box):
        box.done(ticket)
    box.post_retained_again()
    assert [message.topic for _, message in take_all(box)] == ["a", "s"]
    box.give_back()
    box.put(retained("a", b""))
    box.post_retained_again()
    sent = take_all(box)
    assert [(message.topic, message.payload) for _, message in sent] == [("a", b""), ("s", b"running")]
    for ticket, _ in sent:
        box.done(ticket)
    box.post_retained_again()
    assert [message.topic for _, message in take_all(box)] == ["s"]


def test_a_held_message_does_not_overwrite_a_newer_one() -> None:
    box = outbox()
    old = retained("s", b"old")
    box.put(old)
    take_all(box)
    box.put(retained("s", b"new"))
    box.repost(old)
    assert [message.payload for _, message in take_all(box)] == [b"new"]


def test_waiting_ends_when_room_is_made_by_another_thread() -> None:
    box = outbox()
    for number in range(10):
        box.put(wanted("c", bytes([number])))
    assert not box.wait_below(5, 0.0)

    def consume() -> None:
        for ticket, _ in take_all(box):
            box.done(ticket)

    consumer = threading.Thread(target=consume)
    consumer.start()
    assert box.wait_below(5, 20.0)
    consumer.join()
    assert box.backlog == 0


@given(
    st.integers(1, 8),
    st.lists(st.sampled_from(["put", "take", "done", "lose"]), max_size=80),
)
def test_every_message_is_delivered_dropped_or_still_there(queue_max: int, steps: list[str]) -> None:
    box = outbox(queue_max)
    on_their_way: list[tuple[int, Message]] = []
    put, delivered = 0, []
    for step in steps:
        if step == "put":
            box.put(wanted("c", put.to_bytes(2, "big")))
            put += 1
        elif step == "take":
            entry = box.take(anything_goes)
            if entry is not None:
                on_their_way.append(entry)
        elif step == "done" and on_their_way:
            ticket, message = on_their_way.pop(0)
            box.done(ticket)
            delivered.append(int.from_bytes(message.payload, "big"))
        elif step == "lose":
            box.give_back()
            on_their_way.clear()
        assert put == len(delivered) + box.dropped.total + box.backlog
    assert delivered == sorted(set(delivered))  # in order, none twice
    rest = [int.from_bytes(message.payload, "big") for _, message in on_their_way + take_all(box)]
    assert rest == sorted(rest)
    assert len(take_all(box)) == 0


class Clock:
    def __init__(self) -> None:
        self.s = 0.0


def figure(number: int, series: str = "") -> Message:
    return wanted("m/trend", b'{"seq":%d}' % number, 60, series)


def test_figures_make_room_before_any_event_does_and_each_is_counted() -> None:
    box = outbox(4)
    for number in range(4):
        box.put(figure(number))
    for number in range(6):
        box.put(wanted("ev", b"%d" % number))
    assert (box.dropped.figures, box.dropped.events) == (4, 2)
    assert [message.payload for _, message in take_all(box)] == [b"2", b"3", b"4", b"5"]


def test_bytes_are_bounded_for_figures_and_events_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(outbox_module, "FIGURE_BYTES_MAX", 100)
    monkeypatch.setattr(outbox_module, "EVENT_BYTES_MAX", 1000)
    box = outbox()
    for number in range(20):
        box.put(wanted("ev", b"e" * 40))
        box.put(wanted("m", b"f" * 40, 60, str(number)))
    assert (box.dropped.figures, box.dropped.events) == (18, 0)
    for _ in range(20):
        box.put(wanted("ev", b"e" * 40))
    assert box.dropped.events == 15
    assert sum(len(message.payload) for _, message in take_all(box)) <= 1100


def test_a_long_outage_keeps_one_figure_of_a_series_a_minute_and_every_event() -> None:
    clock = Clock()
    box = Outbox(10_000, lambda: None, clock_s=lambda: clock.s)
    for second in range(0, 3600, 10):
        clock.s = float(second)
        box.put(figure(second, "friction_nm 1"))
        box.put(figure(second, "friction_nm -1"))
        box.put(wanted("ev", b"{}"))
    assert box.dropped.thinned == 2 * (300 - 50)
    assert box.backlog == 3 * 360 - box.dropped.total
    box.online(there=True)
    clock.s = 3600.0
    box.put(figure(1, "friction_nm 1"))
    assert box.dropped.thinned == 500


def test_what_waited_for_long_says_so_and_is_itself_again_when_it_comes_back() -> None:
    clock = Clock()
    box = Outbox(10, lambda: None, clock_s=lambda: clock.s)
    box.put(wanted("ev", b'{"seq":1}'))
    clock.s = 11.0
    box.put(wanted("ev", b'{"seq":2}'))
    for _ in range(2):
        ((ticket, message),) = take_all(box)  # what is not late waits until all that is has arrived
        assert message.payload == b'{"seq":1,"late":true}'
        box.give_back()
    ((ticket, _),) = take_all(box)
    box.done(ticket)
    assert [message.payload for _, message in take_all(box)] == [b'{"seq":2}']


def inside(message: Message) -> list[int]:
    """The numbers that a message brings, alone or in a batch."""
    said = json.loads(message.payload)
    return [each["payload"]["seq"] for each in said.get("messages", [])] or [said["seq"]]


@given(
    st.lists(st.tuples(st.sampled_from("ab"), st.booleans()), min_size=1, max_size=60),
    st.lists(st.sampled_from(["take", "done", "refuse", "lose"]), max_size=60),
)
def test_batches_bring_each_message_once_and_in_the_order_of_its_fixture_and_class(
    puts: list[tuple[str, bool]], steps: list[str]
) -> None:
    clock = Clock()
    box = Outbox(1000, lambda: None, clock_s=lambda: clock.s)
    for number, (fixture, is_figure) in enumerate(puts):
        place, expiry_s = (f"{fixture}/m/cycle", 60) if is_figure else (f"{fixture}/ev/gap", None)
        box.put(wanted(place, b'{"seq":%d}' % number, expiry_s, str(number)))
    clock.s = 60.0
    on_their_way: list[tuple[int, Message]] = []
    delivered: list[Message] = []
    for step in [*steps, *["take", "done"] * (2 * len(puts))]:
        if step == "take" and (entry := box.take(anything_goes)) is not None:
            on_their_way.append(entry)
        elif step == "done" and on_their_way:
            ticket, message = on_their_way.pop(0)
            assert box.done(ticket) == len(inside(message))
            delivered.append(message)
        elif step == "refuse" and on_their_way and on_their_way[0][1].topic.endswith("/batch"):
            assert box.done(on_their_way.pop(0)[0], "no batches here") == 0
        elif step == "lose":
            box.give_back()
            on_their_way.clear()
        assert box.backlog == len(puts) - sum(len(inside(message)) for message in delivered)
    for fixture in "ab":
        for is_figure in (True, False):
            here = [
                number for message in delivered
                if message.topic.startswith(f"{fixture}/{'m' if is_figure else 'ev'}/") for number in inside(message)
            ]  # fmt: skip
            assert here == [number for number, put in enumerate(puts) if put == (fixture, is_figure)]


def test_a_batch_has_at_most_so_many_messages_and_bytes() -> None:
    clock = Clock()
    box = Outbox(1000, lambda: None, clock_s=lambda: clock.s)
    for number in range(300):
        box.put(wanted("a/ev/gap", b'{"seq":%d}' % number))
    for number in range(5):
        box.put(wanted("a/ev/gap", b'{"seq":%d,"said":"%s"}' % (number, b"x" * 40_000)))
    clock.s = 60.0
    sizes = []
    while (entry := box.take(anything_goes)) is not None:
        sizes.append(box.done(entry[0]))
    assert sizes == [BATCH_MAX, 102, 2, 1]
