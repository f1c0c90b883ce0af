"""The variant: what the product is and what it must achieve (`variants/<name>.toml`)."""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from nightturn.model.verdicts import MAX, MIN
from nightturn.settings.part import Part
from nightturn.settings.rig import Bearing, Poles, PositiveFloat


class Acceptance(Part, frozen=True, kw_only=True):
    """What a figure must keep to be accepted: at most `max`, at least `min`, or both, and when that is asked.

    `guard` lies inside the limits and narrows what is accepted (same unit as the figure). With `of = "magnitude"` the
    size of a figure counts, with `"signed"` the value with its sign. `direction` limits it to cycles whose measuring
    pass turns that way in the declared sense; `at_torque_nm` carries the sign of the torque held.
    """

    max: float | None = None
    min: float | None = None
    of: Literal["magnitude", "signed"] = "magnitude"
    direction: Literal["positive", "negative"] | None = None
    guard: Annotated[float, Meta(ge=0)] = 0.0
    at_rpm: PositiveFloat | None = None
    at_torque_nm: float | None = None
    temp_degc: tuple[float, float] | None = None

    @property
    def signed(self) -> bool:
        """Whether the sign of the value counts."""
        return self.of == "signed"

    @property
    def turning(self) -> int:
        """The sense of the pass as a sign; 0 for both."""
        return {"positive": 1, "negative": -1}.get(self.direction or "", 0)

    @property
    def limits(self) -> tuple[tuple[str, float], ...]:
        """Each bound with its limit: `max` before `min`."""
        both = ((MAX, self.max), (MIN, self.min))
        return tuple((bound, limit) for bound, limit in both if limit is not None)


class Approval(Part, frozen=True, kw_only=True):
    """Who approved the variant as it is, on which day, and the digest of what was approved (`settings.approval`)."""

    by: Annotated[str, Meta(min_length=1)]
    on: Annotated[str, Meta(pattern=r"^\d{4}-\d{2}-\d{2}$")]
    sha256: Annotated[str, Meta(pattern=r"^[0-9a-f]{64}$")]


class Variant(Part, frozen=True, kw_only=True):
    """The product."""

    schema: Literal[1]
    name: str = ""
    rated_torque_nm: PositiveFloat
    pole_pairs: Poles
    slots: Poles
    approved: Approval | None = None
    bearing: tuple[Bearing, ...] = ()
    accept: dict[str, Acceptance] = msgspec.field(default_factory=dict)
