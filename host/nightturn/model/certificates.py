"""What a calibration certificate says of its own uncertainty: the one struct of it, as records keep it."""

import msgspec


class Expanded(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """An expanded uncertainty as a certificate prints it: `k` times the standard uncertainty (JCGM 100:2008, 6.2.1).

    A bound ± a of which nothing else is known is `{"expanded": a, "k": 1.732}` (the same, 4.3.7).
    """

    expanded: float
    k: float


Stated = float | Expanded
"""A plain number is a standard uncertainty."""


class Certificate(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The uncertainties of a torque channel; what is not stated is not reckoned with.

    All are ratios, never per cent: of the reading (`rel`) or of full scale (`rel_fs`).

    Attributes:
        full_scale_nm: what `rel_fs` is of; needed for those, unless the record gives `rated_torque_nm`.
        temp_low_degc, temp_high_degc: temperatures between which it was calibrated; needed for both temperature
            coefficients.
        factor_rel: of factor or sensitivity.
        linearity_rel_fs: largest deviation from the straight line.
        hysteresis_rel_fs: half of the largest difference between rising and falling torque at one step (reversibility).
        zero_return_rel_fs: zero after unloading against zero before.
        tk0_rel_fs_per_10k: change of zero with temperature.
        tkc_rel_per_10k: change of the factor with temperature.
        excitation_rel: of the bridge's supply; without effect where converter and record are ratiometric (mV/V).
        gain_rel: of amplifier and converter.
    """

    full_scale_nm: float | None = None
    temp_low_degc: float | None = None
    temp_high_degc: float | None = None
    factor_rel: Stated | None = None
    linearity_rel_fs: Stated | None = None
    hysteresis_rel_fs: Stated | None = None
    zero_return_rel_fs: Stated | None = None
    tk0_rel_fs_per_10k: Stated | None = None
    tkc_rel_per_10k: Stated | None = None
    excitation_rel: Stated | None = None
    gain_rel: Stated | None = None

    @property
    def whole(self) -> bool:
        """Whether a ± with it is of the whole budget: at least the factor's uncertainty is known."""
        return self.factor_rel is not None


def standard(stated: Stated | None) -> float:
    """The standard uncertainty; 0 where nothing is stated."""
    if stated is None:
        return 0.0
    return stated.expanded / stated.k if isinstance(stated, Expanded) else stated
