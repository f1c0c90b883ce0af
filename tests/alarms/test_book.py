"""A log replays to the same alarms: every change that it says follows from its words, whenever somebody looked in between."""

from hypothesis import given
from hypothesis import strategies as st
from tests.alarms.saying import at

from nightturn.alarms.book import Reader, take_all
from nightturn.alarms.chain import FIRST, Line, sealed
from nightturn.alarms.conditions import CONDITIONS
from nightturn.alarms.engine import Alarms
from nightturn.alarms.words import Acknowledge, Begun, Given, Moved, OutOfService, PutBack, SetAside, Sign

FIXTURES = ["pan-a1", "pan-b2", "host"]
SPAN_S = 2000
signs = st.builds(
    Sign,
    fixture=st.sampled_from(FIXTURES),
    condition=st.sampled_from(sorted(set(CONDITIONS) - {"flood"})),
    there=st.booleans(),
    said=st.just("it was so"),
)
people = st.one_of(
    st.builds(Acknowledge, fixture=st.sampled_from(FIXTURES), id=st.just(""), by=st.just("R. Vale")),
    st.builds(
        OutOfService,
        fixture=st.sampled_from(FIXTURES),
        id=st.just(""),
        by=st.just("R. Vale"),
        reason=st.just("x"),
    ),
    st.builds(PutBack, fixture=st.sampled_from(FIXTURES), id=st.just(""), by=st.just("R. Vale")),
    st.builds(
        SetAside,
        fixture=st.sampled_from(FIXTURES),
        id=st.sampled_from(sorted(CONDITIONS)),
        by=st.just("R. Vale"),
        reason=st.just("x"),
        until_ts=st.integers(at(10), at(SPAN_S)),
    ),
)
begun = st.just(Begun("boot", "0.1.0", ("pan-a1",)))
words: st.SearchStrategy[Given] = st.one_of(signs, signs, signs, people, begun)
steps = st.lists(st.tuples(st.integers(0, 120), st.none() | words), max_size=25)
looked_at = st.lists(st.tuples(st.integers(0, 120), st.none() | signs | people), max_size=25)


def written(story: list[tuple[int, Given | None]]) -> tuple[Alarms, list[bytes]]:
    """What a desk writes of words and of looks (None) between them."""
    alarms, lines, head, now_s = Alarms(), list[bytes](), FIRST, 0

    def put(said: Given | Moved) -> None:
        nonlocal head
        text, head = sealed(Line(len(lines) + 1, head, at(now_s), said))
        lines.append(text)

    for wait_s, word in story:
        now_s += wait_s
        if word is None:
            moved = alarms.advance(at(now_s))
        else:
            taken = alarms.handle(at(now_s), word)
            moved = taken.moved
            if not taken.refusal:
                put(word)
        for each in moved:
            put(each)
    return alarms, lines


@given(steps)
def test_any_story_replays_to_the_same_changes_and_the_same_state(
    story: list[tuple[int, Given | None]],
) -> None:
    alarms, lines = written(story)
    reader = Reader()
    assert take_all(reader, lines) == ""
    assert reader.difference == ""
    assert reader.changes == sum(b'"type":"moved"' in line for line in lines)
    reader.alarms.advance(alarms.ts)
    assert reader.alarms.rows() == alarms.rows()
    assert reader.alarms.snapshot() == alarms.snapshot()


@given(looked_at)
def test_how_often_somebody_looks_changes_nothing(story: list[tuple[int, Given | None]]) -> None:
    """The same words of one daemon, looked at each half minute or never in between."""
    end_s = sum(wait_s for wait_s, _ in story) + SPAN_S
    seldom, often = Alarms(), Alarms()
    said: dict[str, list[Moved]] = {"seldom": [], "often": []}
    now_s = 0
    for wait_s, word in story:
        for s in range(now_s, now_s + wait_s, 31):
            said["often"] += often.advance(at(s))
        now_s += wait_s
        if word is not None:
            said["often"] += often.handle(at(now_s), word).moved
            said["seldom"] += seldom.handle(at(now_s), word).moved
    said["often"] += often.advance(at(end_s))
    said["seldom"] += seldom.advance(at(end_s))
    assert said["often"] == said["seldom"]


def test_a_change_that_nothing_leads_to_is_named() -> None:
    _, lines = written([(0, Sign("pan-a1", "device_restarted", there=True, said="boot"))])
    _, other = written([(0, Sign("pan-a1", "device_unfit", there=True, said="boot"))])
    reader = Reader()
    assert take_all(reader, [lines[0]]) == ""
    changed = Reader()
    changed.n, changed.head = None, None
    assert take_all(changed, [lines[0], other[1]]).startswith("line 2")
    assert reader.alarms.rows()[0].id == "device_restarted"
