"""Rig records of made-up signals, as the product reads them."""

import numpy as np
from tests.benchmarks.truth.signals import Signal

RIG_U_NM = 0.0002
"""Standard uncertainty of each component of an order in the made-up rig records."""


def rig_record(made: Signal) -> dict[str, object]:
    """A record of the signal's rig orders as the product reads it, off by what it states of itself; alike for one signal."""
    rng = np.random.default_rng(int(made.start_rad * 1e12))
    rows = []
    for order, amplitude in sorted(made.rig.items()):
        off = amplitude + RIG_U_NM * complex(*rng.standard_normal(2))
        rows.append(
            {
                "order": order,
                "amplitude_nm": float(abs(off)),
                "phase_rad": float(np.angle(off)),
                "u_nm": RIG_U_NM,
            }
        )
    return {
        "id": "R-1",
        "fixture": "truth",
        "how": "arbor run",
        "transducer": "T-1",
        "reference": "absolute",
        "speed_rpm": made.plan.slow_rpm,
        "orders": rows,
        "valid_from": "2026-01-01T00:00:00Z",
    }
