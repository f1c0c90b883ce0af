"""What a rig does by itself, without a unit: the one struct of it, as records keep it and as figures take it off."""

from datetime import datetime
from typing import Annotated, Literal

import msgspec
from msgspec import Meta

ARBOR_RUN: Literal["arbor run"] = "arbor run"
RE_INDEXING: Literal["re-indexing"] = "re-indexing"
Positive = Annotated[float, Meta(gt=0)]


class RigOrder(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """One order of the rig: Re(amplitude e^{j(order·angle + phase)}) over the declared angle, as it is at the unit.

    Attributes:
        amplitude_nm: peak.
        phase_rad: at angle zero of the encoder.
        u_nm: standard uncertainty of each of its two components.
    """

    order: Annotated[int, Meta(ge=1)]
    amplitude_nm: Annotated[float, Meta(ge=0)]
    phase_rad: float
    u_nm: Positive


class RigRecord(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One line of `rigs/<fixture>.jsonl`: what drive and bearings make where no unit is, or where it was told apart.

    Attributes:
        id: names the record for ever; it is in the measurand of every figure that is net by it.
        how: `arbor run`, with a smooth arbor in place of the unit, or `re-indexing`, the unit turned on the rig between runs.
        transducer: the serial of the torque transducer that it was made with.
        reference: what the encoder's zero, to which the phases refer, was tied to.
        speed_rpm: at which it was measured.
        orders: of the torque over angle without load, rising; alike in both senses of turning.
        friction_nm, u_friction_nm: mean friction of the rig's bearings inside the loop, and its standard uncertainty.
        temp_degc: of the bridge, else of the room, when that was measured.
        valid_from: from when it holds; UTC. supersedes: id of the record it replaces.
    """

    id: Annotated[str, Meta(min_length=1, max_length=64)]
    fixture: Annotated[str, Meta(min_length=1)]
    how: Literal["arbor run", "re-indexing"]
    transducer: Annotated[str, Meta(min_length=1)]
    reference: Literal["absolute", "index"]
    speed_rpm: Positive
    orders: tuple[RigOrder, ...] = ()
    friction_nm: Annotated[float, Meta(ge=0)] | None = None
    u_friction_nm: Positive | None = None
    temp_degc: float | None = None
    valid_from: Annotated[datetime, Meta(tz=True)]
    supersedes: str | None = None

    @property
    def source(self) -> str:
        """By what a person finds where the numbers come from."""
        return f"rig record {self.id}, {self.how}"
