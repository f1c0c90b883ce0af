"""The variant: what the product is and what it must achieve (`variants/<name>.toml`)."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from nightturn.settings.rig import Part, PositiveFloat, PositiveInt


class Acceptance(Part, frozen=True, kw_only=True):
    """One acceptance limit with the condition under which it holds and its guard band.

    `guard` is subtracted from the limit before judging (same unit as the figure).
    """

    max: PositiveFloat
    at_rpm: PositiveFloat | None = None
    at_torque_nm: PositiveFloat | None = None
    temp_degc: tuple[float, float] | None = None
    guard: Annotated[float, Meta(ge=0)] = 0.0


class Variant(Part, frozen=True, kw_only=True):
    """The product."""

    schema: Literal[1]
    name: str = ""
    rated_torque_nm: PositiveFloat
    pole_pairs: PositiveInt
    slots: PositiveInt
    accept: dict[str, Acceptance] = msgspec.field(default_factory=dict)
