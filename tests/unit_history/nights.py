"""Nights of a unit with a declared course, for the tests of its history."""

from collections.abc import Callable

import msgspec
import numpy as np
import pandas as pd
from tests.fixture.test_certificate import VARIANT
from tests.storage.scenario import STARTED_NS
from tests.storage.store import rig_settings

from nightturn.calibration.records import CalibrationRecord
from nightturn.estimation.figures import FIGURES
from nightturn.fixture.stream import RunSettings
from nightturn.model.cards import MountCard
from nightturn.model.clocks import NS_PER_S
from nightturn.settings.rig import CyclePlan, Exercise
from nightturn.trend.series import FOLLOWED
from nightturn.unit_history.life import COLUMNS
from nightturn.unit_history.nights import Night, Place

STROKES, CYCLE_S, DAY_S = 16, 190, 86_400
UNIT = "Q-0121"
Course = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Of a figure: from hours of the night and strokes of the unit's life to N·m."""


def place(**changed: str) -> Place:
    """Where the unit sits unless something is said to have changed."""
    usual = {
        "fixture": "pan-a1",
        "mounted_utc": "2026-11-25T21:00:00Z",
        "operator": "R. Vale",
        "transducer": "TR-204",
        "calibration": "TR-204/1",
        "plan": "slow turn at 5 rpm, hold 5 N·m at 5 rpm",
    }
    return Place(settings=(), **{**usual, **changed})


def usual_settings() -> RunSettings:
    """Rig, product, card and calibration of every night."""
    plan = CyclePlan(exercise=Exercise(strokes=STROKES, angle_deg=270.0, speed_rpm=15.0))
    return RunSettings(
        msgspec.structs.replace(rig_settings(), plan=plan),
        VARIANT,
        msgspec.convert(
            {
                "id": "TR-204/1",
                "transducer": "TR-204",
                "valid_from": "2026-01-12T00:00:00Z",
                "factor_nm_per_v": 4.0,
            },
            CalibrationRecord,
        ),
        MountCard(unit=UNIT, variant="pan15", operator="R. Vale", mounted_utc="2026-11-25T21:00:00Z"),
    )


def night(
    number: int,
    courses: dict[str, Course],
    *,
    where: Place | None = None,
    cycles: int = 150,
    strokes_before: int = 0,
    degc: Course | None = None,
    seed: int = 1,
    noise_nm: float = 1e-4,
    settings: RunSettings | None = None,
) -> Night:
    """One night `number` days after the first; a figure without a course is level at 80 mN·m."""
    rng = np.random.default_rng((seed, number))
    start_s = number * DAY_S + CYCLE_S * np.arange(cycles, dtype=np.float64)
    hours = (start_s - start_s[0]) / 3600 if cycles else start_s
    strokes = strokes_before + STROKES * np.arange(cycles)
    frame = pd.DataFrame(index=np.arange(cycles), columns=COLUMNS, dtype=object)
    frame["epoch"], frame["cycle_no"], frame["status"] = 0, np.arange(1, cycles + 1), "ok"
    frame["direction"] = np.where(np.arange(cycles) % 2 == 0, 1, -1)
    begins = STARTED_NS + (start_s * NS_PER_S).astype(np.int64)
    frame["ts_start"] = pd.to_datetime(begins, utc=True)
    frame["ts_end"] = pd.to_datetime(begins + 180 * NS_PER_S, utc=True)
    for name in [each for each in COLUMNS if each.startswith("temp_")]:
        frame[name] = np.nan
    frame["temp_bearing_degc"] = degc(hours, strokes) if degc is not None else np.full(cycles, 25.0)
    for figure in FOLLOWED:
        true = courses[figure](hours, strokes) if figure in courses else np.full(cycles, 0.080)
        frame[figure] = true + noise_nm * rng.standard_normal(cycles)
        frame[f"{figure}_u"], frame[f"{figure}_u_rep"], frame[f"{figure}_status"] = noise_nm, noise_nm, "ok"
        frame[f"{figure}_method"] = FIGURES[figure].method
    ends = begins + 185 * NS_PER_S
    return Night(
        run=f"202611{25 + number:02d}T213000Z-4f1c",
        place=where or place(),
        settings=settings or usual_settings(),
        timezone="UTC",
        started_ts=int(begins[0]) if cycles else STARTED_NS + number * DAY_S * NS_PER_S,
        ended_ts=int(ends[-1]) if cycles else STARTED_NS + number * DAY_S * NS_PER_S,
        verdict="accept",
        cycles=frame,
        strokes=np.repeat(ends, STROKES),
    )


def rising(at_stroke: float, per_1000: float, level_nm: float = 0.080) -> Course:
    """Level until a stroke of the unit's life, then rising."""
    return lambda _hours, strokes: level_nm + per_1000 / 1000 * np.maximum(strokes - at_stroke, 0.0)
