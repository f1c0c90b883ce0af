"""Which settings give recorded numbers their meaning: a run keeps those to its end, the others may change on the way.

Whatever is in a table below a key shares the key's weight. A test holds these tables against the structs.
"""

from collections.abc import Iterator, Mapping
from typing import Literal

import msgspec

from nightturn.model.cards import MountCard
from nightturn.model.facts import RunOpened, Setting
from nightturn.settings.mistakes import shown
from nightturn.settings.retained import Keep, KeepTape, Retention
from nightturn.settings.rig import BenchPart, FixtureSettings, MqttPart, NotifyPart, Rig
from nightturn.settings.variant import Variant
from nightturn.settings.web import WebPart

Weight = Literal["meaning", "setting"]
MEANING: Weight = "meaning"  # a change ends the run
SETTING: Weight = "setting"  # a change is an event, and holds from there on

WEIGHTS: Mapping[type[msgspec.Struct], Mapping[str, Weight]] = {
    FixtureSettings: {
        "id": MEANING,
        "port": SETTING,  # what answers there says who it is, and each chunk keeps the scale of its own
        "rate_hz": MEANING,
        "after_restart": SETTING,
        "permission_min": SETTING,
        "restarts_max": SETTING,
        "guard": SETTING,
        "stop_chain": SETTING,
        "lamp": SETTING,
        "ramp_rad_per_s2": SETTING,
        "chunk_s": SETTING,
        "samples_per_block": SETTING,
        "line_baud": SETTING,
        "resonance_hz": SETTING,
        "mains_hz": SETTING,
        "transducer": MEANING,
        "encoder": MEANING,
        "drive": SETTING,
        "bearing": SETTING,
        "filter": MEANING,
        "channels": MEANING,
        "travel": SETTING,
        "protect": SETTING,
        "shunt": SETTING,
        "trend": SETTING,
        "plan": SETTING,
    },
    Variant: {
        "schema": SETTING,
        "name": MEANING,
        "rated_torque_nm": MEANING,
        "pole_pairs": MEANING,
        "slots": MEANING,
        "bearing": SETTING,
        "accept": SETTING,
    },
    MountCard: {
        "unit": MEANING,
        "variant": MEANING,
        "operator": SETTING,
        "notes": SETTING,
        "mounted_utc": SETTING,
        "travel_zero_confirmed": SETTING,
        "taken_off": SETTING,
        "since_utc": SETTING,
        "task": MEANING,
    },
}
NOT_OF_A_RUN: tuple[type[msgspec.Struct], ...] = (
    Rig,
    BenchPart,
    MqttPart,
    WebPart,
    NotifyPart,
    Retention,
    Keep,
    KeepTape,
)  # the bench's own


class Texts(msgspec.Struct, frozen=True):
    """What decides the figures of a run: fixture, variant, mount card, calibration record and rig record, each as JSON text.

    Without a rig record its text is empty.
    """

    rig: str
    variant: str
    card: str
    calibration: str
    rig_record: str = ""


def texts_of(fact: RunOpened | Setting) -> Texts:
    """The texts in a fact of the tape."""
    return Texts(fact.rig, fact.variant, fact.card, fact.calibration, fact.rig_record)


class Change(msgspec.Struct, frozen=True):
    """One key that is not what it was; `ends` when recorded numbers would mean something else under it."""

    key: str
    old: object
    new: object
    ends: bool

    @property
    def text(self) -> str:
        """For people: `encoder.sense: 1 -> -1`."""
        return f"{self.key}: {_value(self.old)} -> {_value(self.new)}"


def changes(before: Texts, after: Texts) -> tuple[Change, ...]:
    """Every key that differs, in order of the tables; a key that an older text lacks counts with its default.

    Raises:
        msgspec.MsgspecError: a text is not what it should be.
    """
    return (
        *_of_struct("", FixtureSettings, before.rig, after.rig),
        *_of_struct("variant.", Variant, before.variant, after.variant),
        *_of_struct("card.", MountCard, before.card, after.card),
        *_of_record("calibration", before.calibration, after.calibration),
        *_of_record("rig_record", before.rig_record, after.rig_record),
    )


def mounted(ending: tuple[Change, ...]) -> bool:
    """Whether changes that end a run are a newer mount card's alone; with another variant comes what is in that."""
    keys = {change.key for change in ending}
    own = ("card.", "variant.") if "card.variant" in keys else ("card.",)
    return bool(keys) and all(key.startswith(own) for key in keys)


def listed_changes(found: tuple[Change, ...]) -> str:
    """Changes in one line."""
    return "; ".join(change.text for change in found)


def _of_struct(prefix: str, kind: type[msgspec.Struct], before: str, after: str) -> Iterator[Change]:
    old, new = (msgspec.to_builtins(msgspec.json.decode(text, type=kind)) for text in (before, after))
    for name, weight in WEIGHTS[kind].items():
        for key, was, becomes in _differences(prefix + name, old.get(name), new.get(name)):
            yield Change(key, was, becomes, ends=weight == MEANING)


def _of_record(name: str, before: str, after: str) -> Iterator[Change]:
    """Every key of a record gives numbers their meaning; no text is no record."""
    old, new = (msgspec.json.decode(text) if text else {} for text in (before, after))
    for key, was, becomes in _differences(name, old, new):
        yield Change(key, was, becomes, ends=True)


def _differences(key: str, old: object, new: object) -> Iterator[tuple[str, object, object]]:
    if isinstance(old, dict) and isinstance(new, dict):
        for name in dict.fromkeys([*old, *new]):
            yield from _differences(f"{key}.{name}", old.get(name), new.get(name))
    elif old != new:
        yield key, old, new


def _value(given: object) -> str:
    return "none" if given is None else shown(given)
