"""What is wrong with the uncertainties of a calibration record, and how to correct it."""

import math
from collections.abc import Iterator

from nightturn.model.certificates import Certificate, Expanded, Stated, standard
from nightturn.model.quantities import number, typed

KEY = "uncertainty"
"""The key of a record under which they are."""
PLAUSIBLE = 0.02
"""A torque channel that is worse than 2 % is a percentage that was written as a ratio."""
OF_FULL_SCALE = ("linearity_rel_fs", "hysteresis_rel_fs", "zero_return_rel_fs", "tk0_rel_fs_per_10k")
WITH_TEMPERATURE = ("tk0_rel_fs_per_10k", "tkc_rel_per_10k")
RATIOS = ("factor_rel", *OF_FULL_SCALE, "tkc_rel_per_10k", "excitation_rel", "gain_rel")
STANDARD_K = 1.0


def certificate_problem(certificate: Certificate, rated_torque_nm: float | None) -> str | None:
    """What is wrong with a certificate's uncertainties and how to correct it, or None.

    `rated_torque_nm` is the record's, which serves as full scale where the certificate gives none.
    """
    for name, stated in ratios(certificate):
        problem = _ratio_problem(stated)
        if problem:
            return f"gives {KEY}.{name} = {problem}"
    return _full_scale_problem(certificate, rated_torque_nm) or _temperature_problem(certificate)


def ratios(certificate: Certificate) -> Iterator[tuple[str, Stated]]:
    """Every uncertainty that is stated, by its key."""
    for name in RATIOS:
        stated = getattr(certificate, name)
        if stated is not None:
            yield name, stated


def _ratio_problem(stated: Stated) -> str | None:
    size = stated.expanded if isinstance(stated, Expanded) else stated
    factor = stated.k if isinstance(stated, Expanded) else STANDARD_K
    if not (math.isfinite(size) and math.isfinite(factor)):
        return f"{size} with k = {factor}; write finite numbers"
    if size < 0:
        return f"{typed(size)}; an uncertainty is not negative: give its size"
    if factor < STANDARD_K:
        return f"an expanded uncertainty with k = {typed(factor)}; k is 1 for a standard uncertainty and mostly 2 on a certificate"
    if standard(stated) > PLAUSIBLE:
        return (
            f"{typed(size)}, which means {number(100 * size)} %, and a torque channel is better than "
            f"{number(100 * PLAUSIBLE)} %; give a ratio, {typed(float(number(size / 100)))} for {number(size)} %"
        )
    return None


def _full_scale_problem(certificate: Certificate, rated_torque_nm: float | None) -> str | None:
    full_scale_nm = certificate.full_scale_nm
    if full_scale_nm is not None and not 0 < full_scale_nm < math.inf:
        return f"gives {KEY}.full_scale_nm = {typed(full_scale_nm)}; give the transducer's full scale in N·m, a positive number"
    if full_scale_nm is None and rated_torque_nm is None:
        for name in OF_FULL_SCALE:
            if getattr(certificate, name) is not None:
                return (
                    f"gives {KEY}.{name}, which is of full scale, without {KEY}.full_scale_nm; add it in N·m"
                )
    return None


def _temperature_problem(certificate: Certificate) -> str | None:
    low, high = certificate.temp_low_degc, certificate.temp_high_degc
    if low is None or high is None:
        for name in WITH_TEMPERATURE:
            if getattr(certificate, name) is not None:
                return (
                    f"gives {KEY}.{name} without {KEY}.temp_low_degc and {KEY}.temp_high_degc; add the temperatures "
                    "between which it was calibrated"
                )
        return None
    if not (math.isfinite(low) and math.isfinite(high) and low <= high):
        return f"gives {KEY}.temp_low_degc = {typed(low)} above {KEY}.temp_high_degc = {typed(high)}; give the lower one first"
    return None
