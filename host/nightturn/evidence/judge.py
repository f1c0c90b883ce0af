"""From features to causes: each row of the table against what moved, in a fixed order and without a guess."""

from collections.abc import Sequence

import msgspec

from nightturn.evidence.features import Feature, Features
from nightturn.evidence.rule import Moved, Rule
from nightturn.evidence.rules import RULES

NOTHING_FITS, NOTHING_MOVED = "nothing fits", "nothing moved"


class Finding(msgspec.Struct, frozen=True):
    """A cause that what moved is consistent with, or that nothing in the table fits, or that nothing moved.

    Attributes:
        cause: key of its row, or `NOTHING_FITS`, `NOTHING_MOVED`.
        evidence: features that moved as it needs; beside: those that moved as it may.
        unseen: (kind, why) of what should not have moved, and of which nobody can say so: the finding is weaker.
        doubts: interventions that could have done the same.
    """

    cause: str
    evidence: tuple[Feature, ...] = ()
    beside: tuple[Feature, ...] = ()
    unseen: tuple[tuple[str, str], ...] = ()
    doubts: tuple[str, ...] = ()


def causes(features: Features, rules: Sequence[Rule] = RULES) -> tuple[Finding, ...]:
    """The causes that fit: who explains most of what moved first, then who has the least unseen, then as in the table.

    What moved and no finding explains comes last, as `NOTHING_FITS`. Where nothing moved there is `NOTHING_MOVED` alone, with
    what could not be seen.
    """
    moved = features.moved()
    if not moved:
        blind = tuple((each.kind, each.unseen) for each in features.looked if not each.seen)
        return (Finding(NOTHING_MOVED, unseen=blind),)
    found = [finding for rule in rules if (finding := _fits(rule, features, moved)) is not None]
    fitting = {each.cause for each in found}
    yielding = {rule.cause for rule in rules if fitting & {*rule.yields_to}}
    found = [each for each in found if each.cause not in yielding]
    found.sort(key=lambda each: (-len(each.evidence) - len(each.beside), len(each.unseen) + len(each.doubts)))
    explained = [feature for each in found for feature in (*each.evidence, *each.beside)]
    left = tuple(each for each in moved if each not in explained)
    return (*found, Finding(NOTHING_FITS, left)) if left else tuple(found)


def _fits(rule: Rule, features: Features, moved: Sequence[Feature]) -> Finding | None:
    if not _applies(rule, features) or any(each.kind in rule.still for each in moved):
        return None
    evidence: list[Feature] = []
    for need in rule.needs:
        met = [each for each in moved if any(_as_needed(each, term) for term in need)]
        if not met:
            return None
        evidence += [each for each in met if each not in evidence]
    beside = tuple(each for each in moved if each.kind in rule.may and each not in evidence)
    unseen = tuple((kind, why) for kind in rule.still if (why := features.unsure(kind)))
    doubts = tuple(each for each in rule.weaker_when if each in features.known)
    return Finding(rule.cause, tuple(evidence), beside, unseen, doubts)


def _applies(rule: Rule, features: Features) -> bool:
    """Whether a row says anything at all with these interventions, and beside what other rows decide by."""
    known = {*features.known}
    if known & {*rule.not_when} or (rule.only_when and not known & {*rule.only_when}):
        return False
    decided = any(features.seen(kind) for kind in rule.unless_seen)
    return not decided and all(features.seen(kind) for kind in rule.only_seen)


def _as_needed(feature: Feature, term: Moved) -> bool:
    enough = not term.far or abs(feature.change) > (feature.matters or 0.0)
    return feature.kind == term.kind and term.sign in {0, feature.sign} and enough
