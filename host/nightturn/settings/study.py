"""A study file: which units are measured on which rigs, mounted by whom and how often, to learn whose the scatter is."""

from collections.abc import Collection, Iterator, Mapping
from pathlib import Path
from typing import Annotated

import msgspec
from msgspec import Meta

from nightturn.errors import ConfigError
from nightturn.settings.load import read_toml
from nightturn.settings.mistakes import Place, did_you_mean, listed, listed_once, raise_mistakes, shown
from nightturn.settings.part import Part
from nightturn.settings.shape import shape_mistakes

CELLS_MAX = 1000
"""Mountings of a study that can still be carried out."""
Count = Annotated[int, Meta(ge=1, le=20)]
Names = dict[str, list[str]]


class StudyPlan(Part, frozen=True, kw_only=True):
    """One study as a person planned it.

    Attributes:
        variant: of all its units.
        figures: columns, such as `friction_nm`.
        rigs: fixtures.
        units: serials, each measured on every rig; or `units_of`, by rig, where each is measured on one rig only.
        operators: who mounts, each on every rig; or `operators_of`, by rig, where each works on one rig only.
        mountings: of a unit on a rig by an operator. nights: with a value on each mounting.
        order: draws the order of the mountings; another number, another order.
    """

    variant: Annotated[str, Meta(min_length=1)]
    figures: Annotated[list[str], Meta(min_length=1)]
    rigs: Annotated[list[str], Meta(min_length=1)]
    units: list[str] = msgspec.field(default_factory=list)
    units_of: Names = msgspec.field(default_factory=dict)
    operators: list[str] = msgspec.field(default_factory=list)
    operators_of: Names = msgspec.field(default_factory=dict)
    mountings: Count = 1
    nights: Count = 1
    order: Annotated[int, Meta(ge=0)] = 0

    def units_on(self, rig: str) -> list[str]:
        """The units of a rig."""
        return self.units_of[rig] if self.units_of else self.units

    def operators_at(self, rig: str) -> list[str]:
        """The operators of a rig."""
        return self.operators_of[rig] if self.operators_of else self.operators


def load_study(path: Path, figures: Collection[str]) -> StudyPlan:
    """Read a study file and check everything that it alone can tell.

    Args:
        path: of the file.
        figures: that may be studied.

    Raises:
        ConfigError: with file, key and what is allowed; several mistakes at once.
    """
    table, place = read_toml(path), Place(str(path))
    raise_mistakes(listed_once(shape_mistakes(table, StudyPlan, place)))
    plan = msgspec.convert(table, StudyPlan)
    raise_mistakes(tuple(_mistakes(plan, place, figures)))
    return plan


def _mistakes(plan: StudyPlan, place: Place, figures: Collection[str]) -> Iterator[ConfigError]:
    for name in plan.figures:
        if name not in figures:
            yield place.mistake(
                "figures",
                f"unknown figure {shown(name)}{did_you_mean(name, figures)}",
                listed(sorted(figures)),
            )
    for key, names in (("rigs", plan.rigs), ("units", plan.units), ("operators", plan.operators)):
        if len(set(names)) < len(names):
            yield place.mistake(key, "a name is there twice", "each once")
    found = [
        *_named(place, plan, "units", plan.units, plan.units_of),
        *_named(place, plan, "operators", plan.operators, plan.operators_of),
    ]
    yield from found
    if found:
        return
    cells = sum(len(plan.units_on(rig)) * len(plan.operators_at(rig)) for rig in plan.rigs) * plan.mountings
    if cells > CELLS_MAX:
        yield place.mistake("mountings", f"the study has {cells} mountings", f"at most {CELLS_MAX}")
    if cells * plan.nights < 2 or (plan.mountings == 1 and plan.nights == 1 and _one_way(plan)):
        yield place.mistake(
            "mountings",
            "nothing is repeated, so nothing can be judged with",
            "2 mountings or more, or 2 nights",
        )


def _one_way(plan: StudyPlan) -> bool:
    """Whether there is one factor only, so that its interaction cannot stand for repetitions."""
    rig = plan.rigs[0]
    return sum(
        len(names) > 1 for names in (plan.units_on(rig), plan.rigs, plan.operators_at(rig))
    ) < 2 or bool(plan.units_of or plan.operators_of)


def _named(
    place: Place, plan: StudyPlan, key: str, names: list[str], of_rig: Mapping[str, list[str]]
) -> Iterator[ConfigError]:
    """Mistakes in one of the two lists that may be given by rig."""
    if bool(names) == bool(of_rig):
        yield place.mistake(key, f"give either {key} or {key}_of", f"{key} = [...] or {key}_of.<rig> = [...]")
        return
    if not of_rig:
        return
    if sorted(of_rig) != sorted(plan.rigs):
        yield place.mistake(
            f"{key}_of", f"names {listed(sorted(of_rig))}", f"a list for each rig: {listed(plan.rigs)}"
        )
        return
    if len({len(each) for each in of_rig.values()}) > 1 or not all(of_rig.values()):
        yield place.mistake(
            f"{key}_of", "the rigs have lists of different lengths", "the same number for each rig"
        )
    every = [name for each in of_rig.values() for name in each]
    if len(set(every)) < len(every):
        yield place.mistake(
            f"{key}_of", "a name is there twice", f"each once; one that is at every rig goes into {key}"
        )
