"""Features by hand: everything quiet but what a test says."""

from collections.abc import Mapping, Sequence

from nightturn.evidence.features import (
    BEARING,
    KINDS,
    LOCKED,
    SWING,
    Feature,
    Features,
)

NU = 100.0


def quiet(kind: str) -> Feature:
    """Seen well and not moved."""
    return Feature(kind, before=1.0, now=1.0, u=1e-3, nu=NU, matters=0.1)


def moved(kind: str, sign: int = 1, *, name: str = "", at: float | None = None) -> Feature:
    """Moved far beyond its uncertainty."""
    name = name or ("bearing front, outer race" if kind == BEARING else "")
    at = at if at is not None else {BEARING: 10.01, LOCKED: 131.0, SWING: 40.0}.get(kind)
    return Feature(kind, name, 1.0, 1.0 + 0.2 * sign, 0.2 * sign, 0.01, NU, None, 0.1, at)


def unseen(kind: str, why: str = "not looked for") -> Feature:
    return Feature(kind, unseen=why)


def features(
    *changed: Feature,
    known: Sequence[str] = (),
    without: Sequence[str] = (),
    blind: Mapping[str, str] | None = None,
) -> Features:
    """All kinds quiet, but these; some left out, some not seen for a reason."""
    kinds = {each.kind for each in changed}
    rest = [
        unseen(kind, blind[kind]) if blind and kind in blind else quiet(kind)
        for kind in KINDS
        if kind not in kinds and kind not in without
    ]
    return Features((*changed, *rest), tuple(known), 20, 20)
