"""Which settings a run keeps to its end: a literal table, held against the structs, and what differs between two texts."""

from collections.abc import Iterator
from typing import Any, get_args

import msgspec
import pytest
from tests.simulation.scene import CARD, FAST

from nightturn.model.cards import MountCard
from nightturn.settings.meaning import (
    MEANING,
    NOT_OF_A_RUN,
    SETTING,
    WEIGHTS,
    Change,
    Texts,
    changes,
    listed_changes,
    mounted,
)
from nightturn.settings.rig import Encoder, Filter, FixtureSettings, Limit, Rig, Transducer
from nightturn.settings.variant import Variant

VARIANT = Variant(schema=1, name="pan15", rated_torque_nm=15.0, pole_pairs=16, slots=36)


def texts(
    rig: FixtureSettings = FAST,
    variant: Variant = VARIANT,
    card: MountCard = CARD,
    calibration: str = "{}",
    rig_record: str = "",
) -> Texts:
    encode = msgspec.json.encode
    return Texts(
        encode(rig).decode(), encode(variant).decode(), encode(card).decode(), calibration, rig_record
    )


def structs_in(kind: Any) -> Iterator[type[msgspec.Struct]]:
    if isinstance(kind, type) and issubclass(kind, msgspec.Struct):
        yield kind
    for part in get_args(kind):
        yield from structs_in(part)


def test_every_key_of_what_a_run_is_made_of_has_a_weight() -> None:
    for kind, weights in WEIGHTS.items():
        assert list(weights) == [field.name for field in msgspec.structs.fields(kind)], kind
        assert set(weights.values()) <= {MEANING, SETTING}


def test_every_table_of_the_rig_file_belongs_to_a_run_or_to_the_bench() -> None:
    seen: set[type[msgspec.Struct]] = set()
    waiting: list[type[msgspec.Struct]] = [Rig]
    while waiting:
        kind = waiting.pop()
        if kind in seen or kind in WEIGHTS:
            continue
        seen.add(kind)
        for field in msgspec.structs.fields(kind):
            waiting += structs_in(field.type)
    assert seen == set(NOT_OF_A_RUN)


@pytest.mark.parametrize(
    ("changed", "text", "ends"),
    [
        (
            texts(msgspec.structs.replace(FAST, encoder=msgspec.structs.replace(FAST.encoder, sense=-1))),
            "encoder.sense: 1 -> -1",
            True,
        ),
        (texts(msgspec.structs.replace(FAST, rate_hz=2000)), "rate_hz: 1000 -> 2000", True),
        (
            texts(msgspec.structs.replace(FAST, encoder=Encoder(counts_per_rev=2**19, reference="absolute"))),
            "encoder.counts_per_rev: 1048576 -> 524288",
            True,
        ),
        (
            texts(msgspec.structs.replace(FAST, transducer=Transducer(serial="TR-204", factor_nm_per_v=4.5))),
            "transducer.factor_nm_per_v: 4.0 -> 4.5",
            True,
        ),
        (texts(calibration='{"id":"TR-204/4"}'), 'calibration.id: none -> "TR-204/4"', True),
        (texts(rig_record='{"id":"R-3"}'), 'rig_record.id: none -> "R-3"', True),
        (
            texts(msgspec.structs.replace(FAST, filter=Filter(hz=40.0))),
            "filter: none -> { hz, poles, u_rel }",
            True,
        ),
        (
            texts(variant=msgspec.structs.replace(VARIANT, rated_torque_nm=20.0)),
            "variant.rated_torque_nm: 15.0 -> 20.0",
            True,
        ),
        (
            texts(card=msgspec.structs.replace(CARD, unit="Q-0121")),
            'card.unit: "Q-0117" -> "Q-0121"',
            True,
        ),
        (
            texts(msgspec.structs.replace(FAST, after_restart="resume")),
            'after_restart: "stay" -> "resume"',
            False,
        ),
        (
            texts(msgspec.structs.replace(FAST, plan=msgspec.structs.replace(FAST.plan, cycles=7))),
            "plan.cycles: 1000 -> 7",
            False,
        ),
        (
            texts(msgspec.structs.replace(FAST, protect={"torque_nm": Limit(max=9.0)})),
            "protect.torque_nm: none -> { max, on_exceed, confirm }",
            False,
        ),
        (texts(card=msgspec.structs.replace(CARD, notes="x")), 'card.notes: "" -> "x"', False),
    ],
)
def test_a_key_that_differs_is_named_with_both_values(changed: Texts, text: str, *, ends: bool) -> None:
    (change,) = changes(texts(), changed)
    assert (change.text, change.ends) == (text, ends)
    assert listed_changes((change, change)) == f"{text}; {text}"


def test_what_an_older_version_did_not_write_counts_with_its_default() -> None:
    older = msgspec.json.decode(texts().rig)
    del older["mains_hz"], older["transducer"]["polarity"]
    before = msgspec.structs.replace(texts(), rig=msgspec.json.encode(older).decode())
    assert changes(before, texts()) == ()


@pytest.mark.parametrize(
    ("keys", "card_alone"),
    [
        (["card.unit"], True),
        (["card.unit", "card.variant", "variant.name", "variant.pole_pairs"], True),
        (["variant.pole_pairs"], False),
        (["card.unit", "variant.pole_pairs"], False),
        (["card.unit", "encoder.sense"], False),
        (["card.unit", "calibration.id"], False),
        ([], False),
    ],
)
def test_another_variant_is_the_cards_doing_only_where_the_card_names_it(
    keys: list[str], card_alone: bool
) -> None:
    assert mounted(tuple(Change(key, 1, 2, ends=True) for key in keys)) is card_alone
