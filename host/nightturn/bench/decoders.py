"""Every type that a job in a thread decodes, made known to msgspec on one thread before there is a second.

msgspec works out what a type consists of at its first use and keeps it. Two threads that do so for the same type at
once crash the interpreter: 8 of 12 starts of four fixtures with a switch interval of 1 µs, none after this.
"""

from functools import cache

import msgspec

from nightturn.calibration.records import CalibrationRecord
from nightturn.calibration.reference_checks import ReferenceCheck
from nightturn.calibration.torque import TorqueChannel
from nightturn.fixture.state import FixtureState
from nightturn.model import facts
from nightturn.model.cards import CardVersion, MountCard
from nightturn.model.figures import Figure
from nightturn.model.rig_record import RigRecord
from nightturn.model.rows import ChunkPlan
from nightturn.settings.rig import FixtureSettings
from nightturn.settings.variant import Variant
from nightturn.storage.manifest import Manifest
from nightturn.storage.marks import Mark
from nightturn.storage.segment import SegmentHeader

TYPES: tuple[type[msgspec.Struct], ...] = (
    FixtureState,
    *facts.KINDS.values(),
    CalibrationRecord,
    TorqueChannel,
    CardVersion,
    MountCard,
    RigRecord,
    ReferenceCheck,
    ChunkPlan,
    FixtureSettings,
    Variant,
    Manifest,
    SegmentHeader,
    Figure,
    Mark,
)


@cache
def prepare() -> None:
    """Make the types known; call it before the first job goes to a thread."""
    for each in TYPES:
        msgspec.msgpack.Decoder(each, dec_hook=_refuse)


def _refuse(kind: type, _value: object) -> object:
    raise TypeError(f"{kind} is decoded by the room that it belongs to")
