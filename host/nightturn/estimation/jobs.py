"""A cycle's figures as a job that can be done anywhere: what it needs, what comes back, and what stands where nothing does."""

import msgspec

from nightturn.errors import fault
from nightturn.estimation.assembly import CycleSums
from nightturn.estimation.conditions import Conditions
from nightturn.estimation.figures import FIGURES
from nightturn.estimation.fingerprint import fingerprint
from nightturn.estimation.finish import coverage_of, finish_cycle
from nightturn.model.facts import CycleFinished
from nightturn.model.figures import INCOMPLETE, REFUSED, CycleRecord, Figure
from nightturn.model.verdicts import NOT_JUDGED

NO_FIGURES = "no figures could be worked out"


class CycleJob(msgspec.Struct, frozen=True):
    """Everything that a cycle's figures are made of, as `finish_cycle` takes it."""

    sums: CycleSums
    conditions: Conditions
    record_first: int
    record_last: int
    ts_start: int
    ts_end: int
    previous_friction_nm: tuple[float, ...] = ()

    def is_of(self, epoch: int, cycle_no: int) -> bool:
        """Whether it is this cycle's."""
        return (self.sums.epoch, self.sums.cycle_no) == (epoch, cycle_no)


def worked_out(job: CycleJob) -> CycleFinished:
    """The figures of a cycle; where `finish_cycle` fails, why. A pure function, some 20 ms."""
    sums = job.sums
    try:
        record = finish_cycle(
            sums,
            job.conditions,
            job.record_first,
            job.record_last,
            job.ts_start,
            job.ts_end,
            job.previous_friction_nm,
        )
    except Exception as error:  # noqa: BLE001 - a cycle without figures says so; the night goes on
        return CycleFinished(sums.epoch, sums.cycle_no, sums.sha256(), error=f"{NO_FIGURES}: {fault(error)}")
    return CycleFinished(sums.epoch, sums.cycle_no, record.sums_sha256, record)


def without_figures(job: CycleJob, why: str) -> CycleRecord:
    """The record of a cycle whose figures never came: its sums, no value, nothing judged, and why."""
    sums, conditions = job.sums, job.conditions
    figures = tuple(
        Figure(spec.name, None, status=REFUSED, method=spec.method, reasons=(why,))
        for spec in FIGURES.values()
    )
    return CycleRecord(
        run=conditions.run,
        epoch=sums.epoch,
        cycle_no=sums.cycle_no,
        status=INCOMPLETE,
        direction=sums.direction * conditions.sense,
        record_first=job.record_first,
        record_last=job.record_last,
        index_first=sums.index_first,
        index_last=sums.index_last,
        ts_start=job.ts_start,
        ts_end=job.ts_end,
        speed_rpm=0.0,
        setpoint_nm=conditions.hold_torque_nm,
        coverage=coverage_of(sums.legs),
        calibration_id=conditions.calibration_id,
        config_digest=conditions.config_digest,
        sums_sha256=sums.sha256(),
        fingerprint=fingerprint(),
        figures=figures,
        reasons=(why, *sums.reasons),
        verdict=NOT_JUDGED,
        verdict_reasons=(why,),
        limit_words=(NOT_JUDGED,) * len(conditions.accept),
    )
