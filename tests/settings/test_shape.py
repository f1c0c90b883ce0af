"""The walk over a table agrees with msgspec about what is good, whatever is written where."""

import copy
import math
import tomllib
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.settings.bench_folder import RIG

from nightturn.settings.mistakes import Place
from nightturn.settings.rig import Rig
from nightturn.settings.shape import shape_mistakes

GOOD = tomllib.loads(RIG)
scalars = (
    st.booleans()
    | st.integers(-5, 5)
    | st.sampled_from([100, 10_000, 2**63, -(2**63), 10**400])
    | st.floats()
    | st.sampled_from(["", "stay", "pan-a1", "x\ny", "a" * 100])
    | st.dates()
)
values = st.recursive(
    scalars,
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.sampled_from(["id", "max", "x", ""]), inner, max_size=3)
    ),
    max_leaves=5,
)


def paths(table: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in the good rig that holds something."""
    inside = table.items() if isinstance(table, dict) else enumerate(table) if isinstance(table, list) else ()
    return ([path] if path else []) + [found for key, part in inside for found in paths(part, (*path, key))]


def beyond_the_tape(given: object) -> bool:
    """Numbers that msgspec takes and nightturn does not: not finite, or more than 64 bits."""
    if isinstance(given, dict):
        return any(map(beyond_the_tape, given.values()))
    if isinstance(given, list):
        return any(map(beyond_the_tape, given))
    if isinstance(given, int):
        return abs(given) >= 2**63
    return isinstance(given, float) and not math.isfinite(given)


def test_the_good_rig_has_no_mistake() -> None:
    assert shape_mistakes(GOOD, Rig, Place("bench.toml")) == []


@given(st.sampled_from(paths(GOOD)), values)
def test_a_table_without_mistakes_converts_and_one_with_mistakes_does_not(
    path: tuple[Any, ...], given: Any
) -> None:
    table = copy.deepcopy(GOOD)
    at: Any = table
    for key in path[:-1]:
        at = at[key]
    at[path[-1]] = given
    mistakes = shape_mistakes(table, Rig, Place("bench.toml"))
    if mistakes:
        assert all(
            mistake.where.startswith("bench.toml") and "\n" not in str(mistake) for mistake in mistakes
        )
        if not beyond_the_tape(given):
            with pytest.raises(msgspec.ValidationError):
                msgspec.convert(table, Rig)
    else:
        assert msgspec.convert(table, Rig).schema == 1


@given(st.sampled_from([path for path in paths(GOOD) if isinstance(path[-1], str)]))
def test_a_key_that_is_left_out_is_a_mistake_only_where_it_is_needed(path: tuple[Any, ...]) -> None:
    table = copy.deepcopy(GOOD)
    at: Any = table
    for key in path[:-1]:
        at = at[key]
    del at[path[-1]]
    mistakes = shape_mistakes(table, Rig, Place("bench.toml"))
    assert all(mistake.what.startswith("missing key") for mistake in mistakes)
    if not mistakes:
        assert msgspec.convert(table, Rig).schema == 1
