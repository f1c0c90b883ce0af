"""One sentence on a unit: what changed, since when and what it is consistent with; or how far a limit is off."""

from collections.abc import Mapping

from nightturn.model.quantities import fixed
from nightturn.storage.zones import local_text
from nightturn.trend.wording import NO_CHANGE, NOTHING_JUDGED, short
from nightturn.unit_history.account import WORN, Account, CourseLine

CAUSE = "Consistent with "


def headline(found: Account) -> str:
    """`ripple rises since 2026-11-28 02:47 +00:00 (90 %: 02:41 to 02:52; …); consistent with a bearing defect`."""
    parts = [_course(found), *causes_named(found)]
    if found.rejected_ts is not None and any(line.changed_ts is not None for line in found.courses):
        begins = short(local_text(found.rejected_ts, found.timezone))
        parts.append(f"first cycle rejected by its limits: {begins}")
    return "; ".join(parts)


def causes_named(found: Account) -> list[str]:
    """`consistent with damage in a bearing (…)`: the causes that fit, the best first, with what speaks for that one most."""
    causes = [text for text in found.causes if text.startswith(CAUSE)]
    return [_named(text, first=not place) for place, text in enumerate(causes)]


def beside_text(phases: Mapping[str, tuple[int, float]], park_stops: int) -> str:
    """Warm-up, soak and stops for a person, as far as there were any; `phases` as `Account.beside`."""
    said = [
        f"{phase.replace('_', '-')} {fixed(hours, 1)} h in {strokes} strokes"
        for phase, (strokes, hours) in phases.items()
    ]
    said += [f"parked {park_stops} time{'' if park_stops == 1 else 's'}"] if park_stops else []
    return ", ".join(said)


def _course(found: Account) -> str:
    """The change, or how far a limit is off, or that nothing can be said."""
    changed = [line for line in found.courses if line.changed_ts is not None]
    if changed:
        first = min(changed, key=_rank)
        return f"{first.title} {first.said[0]}"
    judged = [line for line in found.courses if line.judged]
    if not judged:
        return NOTHING_JUDGED
    seen = {line.title for line in judged}
    few = ", ".join(dict.fromkeys(line.title for line in found.courses if line.title not in seen))
    said = f"{NO_CHANGE}, but there are too few cycles for {few}" if few else NO_CHANGE
    ahead = [line for line in judged if line.limit_text]
    if not ahead:
        return said
    nearest = min(ahead, key=_rank)
    return f"{said}; {nearest.title}: {nearest.limit_text}"


def _named(cause: str, *, first: bool) -> str:
    """`consistent with damage in a bearing`, and of the first cause what speaks for it most, in brackets."""
    name, _, rest = cause.partition(": ")
    evidence = rest.partition("; ")[0].partition(". ")[0].removesuffix(".")
    return f"c{name[1:]} ({evidence})" if first else f"c{name[1:]}"


def _rank(line: CourseLine) -> tuple[int, int]:
    """What is worn by turning first; of both directions the one that changed first."""
    return WORN.index(line.figure), line.changed_ts or 0
