"""What a capture gives: lines of a table, what they assume, and what to record for the rest."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Float64s = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Line:
    """One figure.

    Attributes:
        title: what it is.
        value_nm: N·m; None where the capture does not allow it.
        half_nm: half of its 95 % interval, N·m; None where nothing is known of it.
        at_most: whether the value is an upper bound only.
        how: of what it was made, in words.
        status: ok, or why it is not to be believed as it stands. reasons: what its method says of it, as sentences.
    """

    title: str
    value_nm: float | None
    half_nm: float | None = None
    at_most: bool = False
    how: str = ""
    status: str = "ok"
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Curves:
    """What is drawn: the torque over time, one turn in both senses where there is one, and the reversals."""

    time_s: Float64s
    torque_nm: Float64s
    forward_nm: Float64s | None = None
    back_nm: Float64s | None = None
    cogging_order: int = 0
    turned_s: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Found:
    """Everything that is said of a capture.

    Attributes:
        read: how much was read, and what of it was left out.
        lines: ripple, cogging, friction and zero, in this order.
        of_rated_nm: the rated torque that per cent are of.
        interval_is: what the ± hold.
        assumes: sentences on what the figures rest.
        lacking: sentences on what the capture does not allow, each with what to record instead.
        curves: for the picture.
    """

    read: tuple[str, ...]
    lines: tuple[Line, ...]
    of_rated_nm: float
    interval_is: str
    assumes: tuple[str, ...]
    lacking: tuple[str, ...]
    curves: Curves
