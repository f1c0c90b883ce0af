"""Sentences of evidence: what moved, what it is consistent with, what competes, what to measure next."""

from collections.abc import Sequence

from nightturn.evidence.chances import t_reach
from nightturn.evidence.features import (
    BEARING,
    DEFECT,
    FOLLOWS,
    GAIN,
    INTERVENTIONS,
    KINDS,
    LCM,
    LOCKED,
    OTHER_LINE,
    PATTERN_ANGLE,
    SWING,
    TILT,
    Feature,
    Features,
)
from nightturn.evidence.judge import NOTHING_FITS, NOTHING_MOVED, Finding
from nightturn.evidence.rules import RULES
from nightturn.model.quantities import fixed, interval, number, quantity

TWO_SIDED = 0.05
"""What is said behind ± is the 95 % interval."""
ONLY_CHANGES = (GAIN, TILT)
"""Kinds of which only the change means something."""
SAFE_FIRST = "drive off, energy sources isolated and locked by local rules (a stop by nightturn isolates nothing), then:"
"""In front of what brings somebody's hands to the rig, where it is a step to do."""
HANDS = "Before anybody reaches in: isolate and lock the energy sources by local rules; a stop by nightturn isolates nothing."
BY_CAUSE = {rule.cause: rule for rule in RULES}


def sentences(features: Features, findings: Sequence[Finding]) -> tuple[str, ...]:
    """A sentence or a few for each finding, and how they were come by."""
    return (*(finding_text(each, features) for each in findings), how_text(features))


def finding_text(finding: Finding, features: Features) -> str:
    """What one finding says."""
    if finding.cause == NOTHING_MOVED:
        return _nothing_moved(finding, features)
    moved = "; ".join(feature_text(each) for each in finding.evidence)
    if finding.cause == NOTHING_FITS:
        return f"Nothing in the table fits what moved: {moved}."
    rule = BY_CAUSE[finding.cause]
    parts = [f"Consistent with {rule.title}: {moved}."]
    if finding.beside:
        parts.append(f"Moved with it: {'; '.join(feature_text(each) for each in finding.beside)}.")
    if finding.unseen:
        parts.append(f"Weaker, because it is not known whether these moved: {_unseen(finding.unseen)}.")
    parts += [f"Weaker, because {INTERVENTIONS[each]}." for each in finding.doubts]
    parts += [f"Competing explanation: {rule.competing}.", f"Measure next: {rule.next}."]
    if rule.hands:
        parts.append(HANDS)
    return " ".join(parts)


def next_texts(cause: str) -> tuple[str, str] | None:
    """What to measure next, and which cause that would hold or rule out; None where no row of the table fits."""
    rule = BY_CAUSE.get(cause)
    if rule is None:
        return None
    first = f"{SAFE_FIRST} " if rule.hands else ""
    return f"{first}{rule.next}", f"It would hold or rule out {rule.title}."


def feature_text(feature: Feature) -> str:
    """What one feature did, with its numbers: `running friction rose from 93.1 mN·m to 98.5 mN·m (+5.40 ± 0.42 mN·m)`."""
    kind = KINDS[feature.kind]
    if feature.kind == FOLLOWS:
        goes = "rises" if feature.change > 0 else "falls"
        return f"{kind.title} {goes} by {_change(abs(feature.change), feature, kind.unit)} a kelvin"
    if feature.kind == LOCKED:
        return f"jumps keep to {fixed(feature.at or 0.0, 0)}° ({_by_chance(feature)})"
    if feature.kind == SWING:
        return f"the temperature goes to and fro by {quantity(feature.now, 'K', digits=2)} every {fixed(feature.at or 0.0, 0)} minutes"
    if feature.kind == PATTERN_ANGLE:
        return f"the cogging pattern turned by {_change(feature.change, feature, kind.unit)}, or by whole periods of it more"
    did = "rose" if feature.change > 0 else "fell"
    if feature.kind in ONLY_CHANGES:
        return f"{_title(feature)} {did} by {_change(abs(feature.change), feature, kind.unit)}"
    ends = " to ".join(
        quantity(value, kind.unit, digits=3, beside=other)
        for value, other in ((feature.before, feature.now), (feature.now, feature.before))
    )
    if feature.chance is not None:  # counted: its ± says less than how likely as much is by chance
        return f"{_title(feature)} {did} from {ends} ({_by_chance(feature)})"
    sign = "+" if feature.change > 0 else ""
    return f"{_title(feature)} {did} from {ends} ({sign}{_change(feature.change, feature, kind.unit)})"


def how_text(features: Features) -> str:
    """What "moved" means here, and what is known to have been done in between."""
    seen = sum(each.seen for each in features.looked)
    text = (
        f"Compared are {features.cycles_now} cycles with {features.cycles_before} of the baseline. Moved means beyond its uncertainty: with nothing "
        f"changed, one of the {seen} features looked at does so in about {number(100 * features.level)} % of such comparisons."
    )
    known = "".join(f" Known: {INTERVENTIONS[each]}." for each in features.known)
    return text + known


def _nothing_moved(finding: Finding, features: Features) -> str:
    seen = sum(each.seen for each in features.looked)
    text = f"None of the {seen} features looked at moved beyond its uncertainty."
    if finding.unseen:
        text += f" Not seen: {_unseen(finding.unseen)}."
    return text


def _unseen(unseen: Sequence[tuple[str, str]]) -> str:
    """Kinds by why they were not seen."""
    by_why: dict[str, list[str]] = {}
    for kind, why in unseen:
        title = KINDS[kind].title
        if title not in by_why.setdefault(why, []):
            by_why[why].append(title)
    return "; ".join(f"{', '.join(titles)} ({why})" for why, titles in by_why.items())


def _title(feature: Feature) -> str:
    """What it is, with where."""
    title = KINDS[feature.kind].title
    if feature.kind == BEARING:
        return f"the line of {feature.name} at order {number(feature.at or 0.0, 4)} and its multiples"
    if feature.kind == LCM and feature.at is not None:
        return f"{title} {fixed(feature.at, 0)}"
    if feature.kind == OTHER_LINE and feature.at is not None:
        return f"torque at order {number(feature.at, 5)}, which nothing declared has,"
    if feature.kind == DEFECT and feature.at is not None:
        return f"{title}, {fixed(feature.at, 1)}°,"
    return f"{title} ({feature.name})" if feature.name else title


def _change(change: float, feature: Feature, unit: str) -> str:
    """A change with its 95 % interval."""
    return interval(change, t_reach(TWO_SIDED, feature.nu) * feature.u, "K" if unit == "°C" else unit)


def _by_chance(feature: Feature) -> str:
    chance = max(feature.by_chance, 1e-6)
    sign = "less than " if feature.by_chance < chance else ""
    return f"by chance with {sign}{number(100 * chance, 1)} %"
