"""The figures of a report as JSON, for who reads them by program from the PDF."""

import math

import msgspec
import numpy as np

from nightturn.estimation.figures import FIGURES
from nightturn.model.tiles import Float64s
from nightturn.report.night import ReportNight

FORMAT = 1


def figures_json(night: ReportNight) -> bytes:
    """Verdict and figures: of each figure a value, u, nu and status a cycle; null where there is none."""
    cycles = night.cycles
    return msgspec.json.encode(
        {
            "format": FORMAT,
            "unit": night.unit,
            "variant": night.settings.card.variant,
            "fixture": night.run.fixture,
            "run": night.run.run,
            "method": night.method or "as recorded",
            "verdict": night.verdict,
            "cycle_no": cycles["cycle_no"].tolist(),
            "ts_end_ns": night.ended_ts.tolist(),
            "direction": cycles["direction"].tolist(),
            "figures": {
                name: {
                    "unit": spec.unit,
                    "value": _numbers(cycles[name].to_numpy(np.float64)),
                    "u": _numbers(cycles[f"{name}_u"].to_numpy(np.float64)),
                    "nu": _numbers(cycles[f"{name}_nu"].to_numpy(np.float64)),
                    "status": cycles[f"{name}_status"].tolist(),
                }
                for name, spec in FIGURES.items()
                if name in cycles
            },
        }
    )


def _numbers(values: Float64s) -> list[float | None]:
    return [each if math.isfinite(each) else None for each in values.tolist()]
