"""Rows of an invented fixture, for what the daemon says of them."""

from nightturn.model.figures import CycleRecord, Figure
from nightturn.model.nights import NightVerdict
from nightturn.model.rows import StateRow

BEGUN_NS = 1_795_716_000 * 10**9  # 2026-11-26 18:00 UTC
FIGURES = (
    Figure("ripple_pp_nm", 0.080974, 0.000206, 12.0, n=2),
    Figure("ripple_pct_rated", 0.53983, 0.00137, 12.0, n=2),
    Figure("cogging_pp_nm", 0.069251, 0.000335, 12.0, n=2),
    Figure("friction_nm", 0.089096, 0.000094, 12.0, n=2),
)


def state(
    state: str = "turning",
    cycle_no: int = 12,
    waits_for: str = "",
    phase: str = "slow_turn",
    unit: str = "Q-0117",
    night_verdict: NightVerdict | None = None,
) -> StateRow:
    """What a fixture does; the newest row of a run of 150 cycles."""
    return StateRow(
        ts=BEGUN_NS,
        state=state,
        run="20261126T180000Z-24a9",
        unit=unit,
        variant="pan15",
        cycle_no=cycle_no,
        cycles_done=cycle_no - 1,
        cycles_planned=150,
        phase=phase,
        link="streaming",
        epoch=0,
        samples=73178,
        gaps=0,
        missing=0,
        waits_for=waits_for,
        night_verdict=night_verdict,
    )


def cycle(
    cycle_no: int = 11,
    verdict: str = "accept",
    verdict_reasons: tuple[str, ...] = (),
    status: str = "ok",
    reasons: tuple[str, ...] = (),
    figures: tuple[Figure, ...] = FIGURES,
) -> CycleRecord:
    """A finished cycle of that run."""
    return CycleRecord(
        run="20261126T180000Z-24a9",
        epoch=0,
        cycle_no=cycle_no,
        status=status,
        direction=1,
        record_first=1,
        record_last=2,
        index_first=0,
        index_last=1,
        ts_start=BEGUN_NS - 190 * 10**9,
        ts_end=BEGUN_NS,
        speed_rpm=3.0,
        setpoint_nm=5.0,
        coverage=1.0,
        calibration_id="inline",
        config_digest="",
        sums_sha256="",
        fingerprint="",
        figures=figures,
        verdict=verdict,
        verdict_reasons=verdict_reasons,
        reasons=reasons,
    )
