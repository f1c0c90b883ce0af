"""Every sentence of evidence, word for word."""

import pytest
from tests.evidence.plain import features, moved, unseen

from nightturn.evidence.features import (
    BEARING,
    BEYOND,
    DEFECT,
    FOLLOWS,
    FRICTION,
    GAIN,
    INTERVENTIONS,
    JUMPS,
    KINDS,
    LAG,
    LCM,
    LOCKED,
    OTHER_LINE,
    OTHER_RIG,
    PATTERN_ANGLE,
    REMOUNT,
    RIPPLE,
    SWING,
    TEMPERATURE,
    TILT,
    ZERO,
    Feature,
)
from nightturn.evidence.judge import Finding, causes
from nightturn.evidence.rule import Rule
from nightturn.evidence.rules import RULES
from nightturn.evidence.wording import HANDS, feature_text, finding_text, how_text, sentences


def feature(kind: str, before: float, now: float, u: float, **more: object) -> Feature:
    return Feature(kind, before=before, now=now, change=now - before, u=u, nu=1e6, **more)  # type: ignore[arg-type]  # fields by name


@pytest.mark.parametrize(
    ("moved_feature", "text"),
    [
        (
            feature(FRICTION, 0.0931, 0.0985, 0.0002),
            "running friction rose from 93.1 mN·m to 98.5 mN·m (+5.40 ± 0.39 mN·m)",
        ),
        (
            feature(ZERO, 0.32, 1.05, 0.01),
            "zero of the torque channel rose from 0.32 N·m to 1.05 N·m (+730 ± 20 mN·m)",
        ),
        (
            feature(BEARING, 0.0004, 0.0032, 1e-4, name="bearing front, outer race", at=9.93),
            "the line of bearing front, outer race at order 9.93 and its multiples rose from 0.4 mN·m to 3.2 mN·m (+2.80 ± 0.20 mN·m)",
        ),
        (
            feature(LCM, 0.0214, 0.032, 0.0005, at=288.0),
            "cogging order 288 rose from 21.4 mN·m to 32 mN·m (+10.60 ± 0.98 mN·m)",
        ),
        (
            feature(OTHER_LINE, 0.0, 0.003, 0.0002, at=5.37, chance=2e-4),
            "torque at order 5.37, which nothing declared has, rose from 0 mN·m to 3 mN·m (by chance with 0.02 %)",
        ),
        (
            feature(DEFECT, 0.0, 0.015, 0.0002, at=131.04, chance=1e-12),
            "deviation at one angle, 131.0°, rose from 0 mN·m to 15 mN·m (by chance with less than 0.0001 %)",
        ),
        (
            feature(DEFECT, 0.0, 0.015, 0.0002, chance=1e-12),
            "deviation at one angle rose from 0 mN·m to 15 mN·m (by chance with less than 0.0001 %)",
        ),
        (
            feature(TEMPERATURE, 24.0, 20.0, 0.3, name="bearing"),
            "temperature of the unit (bearing) fell from 24 °C to 20 °C (−4.00 ± 0.59 K)",
        ),
        (
            feature(JUMPS, 0.0, 14.0, 1.0, chance=1e-5),
            "jumps of the torque signal rose from 0 a cycle to 14 a cycle (by chance with 0.001 %)",
        ),
        (
            feature(LOCKED, 0.0, 0.9, 0.1, at=131.2, chance=2e-5),
            "jumps keep to 131° (by chance with 0.002 %)",
        ),
        (
            feature(SWING, 0.0, 1.23, 0.0, at=39.7),
            "the temperature goes to and fro by 1.2 K every 40 minutes",
        ),
        (feature(GAIN, 0.0, -1.5, 0.1), "torque held, cogging and friction together fell by 1.50 ± 0.20 %"),
        (
            feature(TILT, 0.0, 45.0, 2.0),
            "second multiple of the cogging order against the first rose by 45.0 ± 3.9 %",
        ),
        (
            feature(PATTERN_ANGLE, 0.0, -0.4, 0.02),
            "the cogging pattern turned by −0.400 ± 0.039 degrees, or by whole periods of it more",
        ),
        (
            feature(FOLLOWS, 0.0, -0.8, 0.05),
            "running friction within these cycles falls by 0.800 ± 0.098 % a kelvin",
        ),
        (
            feature(FOLLOWS, 0.0, 0.8, 0.05),
            "running friction within these cycles rises by 0.800 ± 0.098 % a kelvin",
        ),
    ],
)
def test_what_a_feature_did_is_said_with_its_numbers(moved_feature: Feature, text: str) -> None:
    assert feature_text(moved_feature) == text


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_has_a_sentence_with_its_unit(kind: str) -> None:
    for sign in (1, -1):
        text = feature_text(moved(kind, sign))
        assert ("N·m" if KINDS[kind].unit == "N·m" else "") in text
        assert "  " not in text
        assert any(each.isdigit() for each in text)


def test_a_finding_says_cause_evidence_competition_and_what_to_measure() -> None:
    story = features(feature(ZERO, 0.0, 0.32, 0.01))
    (found,) = causes(story)
    assert finding_text(found, story) == (
        "Consistent with a zero drift of transducer or amplifier, not of the unit: zero of the torque channel rose from 0 mN·m to "
        "320 mN·m (+320 ± 20 mN·m). Competing explanation: a side load or a cable that pulls at the transducer; friction by reversal "
        "does not see either. Measure next: read the zero with the unit taken from the flange; make a shunt check. "
        "Before anybody reaches in: isolate and lock the energy sources by local rules; a stop by nightturn isolates nothing."
    )


def test_a_weaker_finding_says_why_it_is_weaker() -> None:
    blind = {BEARING: "no bearing is declared", RIPPLE: "not known of now"}
    story = features(
        feature(BEYOND, 0.093, 0.1, 0.0005),
        feature(FRICTION, 0.093, 0.1, 0.0005),
        known=(REMOUNT,),
        blind=blind,
    )
    text = finding_text(causes(story)[0], story)
    assert "Moved with it: running friction rose from 93 mN·m to 100 mN·m (+7.00 ± 0.98 mN·m)." in text
    assert (
        "Weaker, because it is not known whether these moved: line of a bearing (no bearing is declared)."
        in text
    )
    assert "Weaker, because the unit was mounted again in between." in text


def test_nothing_fits_is_said_with_what_moved() -> None:
    story = features(feature(RIPPLE, 0.04, 0.05, 0.001))
    (found,) = causes(story)
    assert finding_text(found, story) == (
        "Nothing in the table fits what moved: torque ripple rose from 40 mN·m to 50 mN·m (+10.0 ± 2.0 mN·m)."
    )


def test_nothing_moved_is_said_with_what_was_not_seen() -> None:
    seen = features()
    assert finding_text(causes(seen)[0], seen) == (
        "None of the 30 features looked at moved beyond its uncertainty."
    )
    story = features(
        unseen(FRICTION, "not known of now"), unseen(ZERO, "not known of now"), unseen(LAG, "other rig")
    )
    assert finding_text(causes(story)[0], story) == (
        "None of the 27 features looked at moved beyond its uncertainty. Not seen: running friction, zero of the torque channel "
        "(not known of now); lag between the directions (other rig)."
    )


def test_how_it_was_come_by_names_level_cycles_and_interventions() -> None:
    assert how_text(features(known=(REMOUNT, OTHER_RIG))) == (
        "Compared are 20 cycles with 20 of the baseline. Moved means beyond its uncertainty: with nothing changed, one of the 30 "
        "features looked at does so in about 1 % of such comparisons. Known: the unit was mounted again in between. Known: the unit "
        "was measured on another rig."
    )


def test_all_findings_come_in_their_order_and_how_they_were_come_by_last() -> None:
    story = features(moved(ZERO), moved(RIPPLE))
    texts = sentences(story, causes(story))
    assert [each.split(" ")[0] for each in texts] == ["Consistent", "Nothing", "Compared"]


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.cause)
def test_every_row_reads_as_sentences(rule: Rule) -> None:
    text = finding_text(Finding(rule.cause, (moved(ZERO),)), features())
    assert text.startswith(f"Consistent with {rule.title}: zero of the torque channel rose")
    assert f"Competing explanation: {rule.competing}. Measure next: {rule.next}." in text
    assert rule.title[0].islower()
    assert not rule.competing.endswith(".")
    assert not rule.next.endswith(".")


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.cause)
def test_who_is_sent_to_the_rig_is_warned_and_nobody_else(rule: Rule) -> None:
    text = finding_text(Finding(rule.cause, (moved(ZERO),)), features())
    near = (
        "by hand",
        "flange",
        "look at the rotor",
        "cable in another",
        "dial gauge",
        "air gap around",
        "mount again",
        "turn slowly",
    )
    assert (HANDS in text) == rule.hands == any(each in rule.next for each in near)


def test_every_intervention_can_be_said() -> None:
    for known, words in INTERVENTIONS.items():
        assert f"Known: {words}." in how_text(features(known=(known,)))
