"""Every row of the table is provoked by a story of its own and kept back by one that is near to it."""

import random
from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.evidence.plain import features, moved, unseen

from nightturn.evidence.features import (
    BEARING,
    BEYOND,
    BREAKAWAY,
    BRIDGE_TEMPERATURE,
    CALIBRATION,
    COGGING,
    COVERAGE,
    DEFECT,
    ELECTRICAL,
    ENCODER,
    FOLLOWS,
    FRICTION,
    GAIN,
    INTERVENTIONS,
    JUMPS,
    KINDS,
    LCM,
    LOCKED,
    MEAN_TORQUE,
    NO_REFERENCE,
    OTHER_LINE,
    OTHER_RIG,
    PATTERN_ANGLE,
    POLES,
    RAILED,
    REMOUNT,
    RIPPLE,
    SHAFT,
    SIDE_LINES,
    SIDEBANDS,
    SLOTS,
    SWING,
    TEMPERATURE,
    TILT,
    ZERO,
    Feature,
    Features,
)
from nightturn.evidence.judge import NOTHING_FITS, NOTHING_MOVED, causes
from nightturn.evidence.rule import Rule
from nightturn.evidence.rules import RULES

Moves = tuple[tuple[str, int], ...]


class Story(NamedTuple):
    """What moves and what is known; what moves in the story in which the cause must not be named, and what is known there."""

    moves: Moves
    near: Moves
    known: tuple[str, ...] = ()
    near_known: tuple[str, ...] = ()
    blind: tuple[str, ...] = ()
    near_blind: tuple[str, ...] = ()


STORIES: dict[str, Story] = {
    "cable": Story(((JUMPS, 1), (RAILED, 1), (COGGING, 1)), ((RAILED, 1),)),
    "cable flexing": Story(((JUMPS, 1), (LOCKED, 1)), ((JUMPS, 1),)),
    "over range": Story(((RAILED, 1),), ((RAILED, 1), (JUMPS, 1))),
    "encoder": Story(((ENCODER, 1), (COGGING, 1)), ((COGGING, 1),)),
    "lost samples": Story(((COVERAGE, -1),), ((COVERAGE, -1), (ENCODER, 1))),
    "bearing": Story(((BEARING, 1), (FRICTION, 1), (BEYOND, 1)), ((BEARING, -1),)),
    "magnets": Story(((SLOTS, 1), (DEFECT, 1)), ((SLOTS, 1), (POLES, 1))),
    "slots": Story(((POLES, 1),), ((POLES, 1), (SIDEBANDS, 1))),
    "out of centre": Story(((SIDE_LINES, 1), (SHAFT, 1)), ((SIDE_LINES, 1), (SLOTS, 1))),
    "one place": Story(((DEFECT, 1),), ((DEFECT, 1), (SIDEBANDS, 1))),
    "coupling": Story(((LCM, 1), (TILT, 1), (SLOTS, 1)), ((LCM, 1),)),
    "current": Story(((ELECTRICAL, 1), (RIPPLE, 1)), ((ELECTRICAL, 1), (TILT, 1), (LCM, 1))),
    "field": Story(((LCM, -1), (COGGING, -1)), ((LCM, -1), (TEMPERATURE, 1))),
    "torque gain": Story(((GAIN, 1), (MEAN_TORQUE, 1), (LCM, 1), (FRICTION, 1)), ((MEAN_TORQUE, 1),)),
    "held torque": Story(((MEAN_TORQUE, -1),), ((MEAN_TORQUE, -1), (LCM, -1), (GAIN, -1))),
    "mean torque": Story(((MEAN_TORQUE, -1),), ((MEAN_TORQUE, -1),), blind=(GAIN,)),
    "wear": Story(((BEYOND, 1), (FRICTION, 1), (BREAKAWAY, 1)), ((BEYOND, 1), (FRICTION, 1), (BEARING, 1))),
    "run-in": Story(((BEYOND, -1), (FRICTION, -1)), ((BEYOND, 1), (FRICTION, 1))),
    "friction": Story(((FRICTION, 1),), ((FRICTION, 1),), blind=(BEYOND,)),
    "colder": Story(((TEMPERATURE, -1), (FRICTION, 1)), ((TEMPERATURE, -1), (FRICTION, 1), (BEYOND, 1))),
    "warmer": Story(((TEMPERATURE, 1), (FOLLOWS, -1)), ((TEMPERATURE, 1), (FRICTION, 1))),
    "room": Story(((SWING, 1), (FOLLOWS, -1)), ((SWING, 1), (BEYOND, 1))),
    "zero with temperature": Story(((ZERO, 1), (BRIDGE_TEMPERATURE, 1)), ((ZERO, 1),)),
    "zero drift": Story(((ZERO, -1),), ((ZERO, -1),), near_known=(REMOUNT,)),
    "remount": Story(((ZERO, 1), (SHAFT, 1)), ((ZERO, 1), (SHAFT, 1)), known=(REMOUNT,)),
    "mount moved": Story(((ZERO, 1), (SHAFT, 1)), ((ZERO, 1),)),
    "encoder moved": Story(((PATTERN_ANGLE, 1),), ((PATTERN_ANGLE, 1), (ZERO, 1))),
    "other line": Story(((OTHER_LINE, 1),), ((OTHER_LINE, 1), (BEARING, 1))),
}


def told(moves: Moves, known: tuple[str, ...], blind: tuple[str, ...]) -> Features:
    changed = [moved(kind, sign) for kind, sign in moves] + [unseen(kind) for kind in blind]
    return features(*changed, known=known)


def named(story: Features) -> list[str]:
    return [each.cause for each in causes(story)]


def test_every_row_has_its_stories() -> None:
    assert list(STORIES) == [rule.cause for rule in RULES]


@pytest.mark.parametrize("cause", STORIES)
def test_a_story_of_its_own_is_named_first_and_a_near_one_is_not(cause: str) -> None:
    story = STORIES[cause]
    found = causes(told(story.moves, story.known, story.blind))
    assert found[0].cause == cause
    assert {(each.kind, each.sign) for each in (*found[0].evidence, *found[0].beside)} == {*story.moves}
    assert cause not in named(told(story.near, story.near_known, story.near_blind))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.cause)
def test_what_was_not_seen_makes_a_finding_weaker_and_is_never_taken_for_still(rule: Rule) -> None:
    story = STORIES[rule.cause]
    moving = {kind for kind, _ in story.moves}
    for kind in rule.still:
        if kind in moving or kind in rule.only_seen:
            continue
        seen = told(story.moves, story.known, story.blind)
        for changed, why in (
            (unseen(kind, "no sensor"), "no sensor"),
            (Feature(kind, u=1.0, nu=10.0, matters=0.1), "known too coarsely"),
        ):
            looked = (*(each for each in seen.looked if each.kind != kind), changed)
            found = next(
                each for each in causes(Features(looked, seen.known, 20, 20)) if each.cause == rule.cause
            )
            assert (kind, why) in found.unseen
            assert found.unseen or found.doubts
        left_out = Features(tuple(each for each in seen.looked if each.kind != kind), seen.known, 20, 20)
        found = next(each for each in causes(left_out) if each.cause == rule.cause)
        assert (kind, "not looked at") in found.unseen


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.cause)
def test_what_must_not_have_moved_keeps_a_cause_back(rule: Rule) -> None:
    story = STORIES[rule.cause]
    for kind in rule.still:
        moves = (*(each for each in story.moves if each[0] != kind), (kind, 1))
        assert rule.cause not in named(told(moves, story.known, story.blind))


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.cause)
def test_interventions_rule_a_cause_out_or_make_it_weaker(rule: Rule) -> None:
    story = STORIES[rule.cause]
    for known in rule.not_when:
        assert rule.cause not in named(told(story.moves, (known,), story.blind))
    for known in rule.weaker_when:
        found = next(
            each for each in causes(told(story.moves, (known,), story.blind)) if each.cause == rule.cause
        )
        assert found.doubts == (known,)
        assert found.unseen or found.doubts
    if rule.only_when:
        assert rule.cause not in named(told(story.moves, (), story.blind))


def test_rows_name_known_kinds_and_say_what_competes_and_what_to_measure() -> None:
    for rule in RULES:
        kinds = {term.kind for need in rule.needs for term in need}
        assert kinds | {*rule.still, *rule.may, *rule.unless_seen, *rule.only_seen} <= {*KINDS}
        assert {*rule.not_when, *rule.only_when, *rule.weaker_when} <= {*INTERVENTIONS}
        assert not kinds & {*rule.still}
        assert len(rule.competing.split()) > 2
        assert len(rule.next.split()) > 3
    assert len({rule.cause for rule in RULES}) == len(RULES)


def test_nothing_moved_is_said_with_what_was_not_seen() -> None:
    (found,) = causes(features(unseen(FRICTION, "not measured")))
    assert found.cause == NOTHING_MOVED
    assert found.unseen == ((FRICTION, "not measured"),)


def test_what_no_row_explains_is_listed_alone_or_behind_the_others() -> None:
    alone = causes(features(moved(COGGING, -1), moved(RIPPLE)))
    assert [each.cause for each in alone] == [NOTHING_FITS]
    assert [each.kind for each in alone[0].evidence] == [COGGING, RIPPLE]
    behind = causes(features(moved(DEFECT), moved(ZERO), moved(TEMPERATURE)))
    assert [each.cause for each in behind] == ["one place", "zero drift", NOTHING_FITS]
    assert [each.kind for each in behind[-1].evidence] == [TEMPERATURE]


def test_two_causes_at_once_are_both_named_the_one_that_explains_more_first() -> None:
    both = features(moved(ZERO), moved(BEARING), moved(FRICTION), moved(BEYOND))
    assert named(both) == ["bearing", "zero drift"]


def test_with_a_signal_that_jumps_nothing_else_is_named() -> None:
    """Spikes move every figure; a cause read from them would be an invention."""
    every = [moved(kind) for kind in KINDS if kind not in {LOCKED, ENCODER, COVERAGE}]
    assert [each for each in named(features(*every)) if each != NOTHING_FITS] == ["cable"]


def test_a_move_of_less_than_matters_is_no_softer_coupling_and_no_other_field() -> None:
    slight = [Feature(kind, change=0.05, u=0.005, nu=100.0, matters=0.1) for kind in (LCM, TILT)]
    assert named(features(*slight)) == [NOTHING_FITS]
    assert named(features(slight[0])) == [NOTHING_FITS]
    assert named(features(moved(LCM), moved(TILT))) == ["coupling"]


def test_an_encoder_without_reference_leaves_its_kinds_unseen() -> None:
    story = features(
        moved(ZERO), known=(NO_REFERENCE,), blind={PATTERN_ANGLE: "the angles have no common zero"}
    )
    (found,) = causes(story)
    assert found.cause == "zero drift"
    assert found.unseen == ((PATTERN_ANGLE, "the angles have no common zero"),)


def test_another_rig_and_another_calibration_say_nothing_of_a_zero() -> None:
    for known in (OTHER_RIG, CALIBRATION):
        assert "zero drift" not in named(features(moved(ZERO), known=(known,)))


@given(
    signs=st.dictionaries(st.sampled_from(sorted(KINDS)), st.sampled_from([-1, 1]), max_size=8),
    shuffle=st.integers(0, 2**32),
)
def test_the_order_of_the_features_changes_no_cause(signs: dict[str, int], shuffle: int) -> None:
    looked = list(features(*(moved(kind, sign) for kind, sign in signs.items())).looked)
    first = named(Features(tuple(looked), (), 20, 20))
    random.Random(shuffle).shuffle(looked)
    assert named(Features(tuple(looked), (), 20, 20)) == first


@given(signs=st.dictionaries(st.sampled_from(sorted(KINDS)), st.sampled_from([-1, 1]), min_size=1))
def test_everything_that_moved_is_in_some_finding(signs: dict[str, int]) -> None:
    story = features(*(moved(kind, sign) for kind, sign in signs.items()))
    said = {each for finding in causes(story) for each in (*finding.evidence, *finding.beside)}
    assert said == {*story.moved()}


@given(
    sizes=st.lists(st.floats(-6, 6), min_size=1, max_size=40),
    nu=st.floats(1, 1e4),
)
def test_moved_keeps_its_level_however_many_features_there_are(sizes: list[float], nu: float) -> None:
    looked = tuple(Feature(FRICTION, str(k), change=size, u=1.0, nu=nu) for k, size in enumerate(sizes))
    story = Features(looked)
    assert story.level_each * len(sizes) == pytest.approx(story.level)
    assert {*story.moved()} == {each for each in looked if each.by_chance < story.level / len(sizes)}


def test_a_change_without_any_uncertainty_is_certain_and_none_is_none() -> None:
    assert Feature(FRICTION, change=1.0).by_chance == 0.0
    assert Feature(FRICTION).by_chance == 1.0
