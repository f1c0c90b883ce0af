"""What a run finds out about its device: who it is, what it says about itself, and its shunt checks."""

import msgspec

KEPT_MAX = 100  # of a run, of either; a device that restarts all night has said enough

CPU_PCT_MAX = 100  # beyond it a STATUS says that the board does not measure its load

START, END = "start", "end"

SKIPPED = "skipped"
"""An outcome beside the words of `verdicts`: the check did not come about."""


class DeviceFacts(msgspec.Struct, frozen=True, kw_only=True):
    """A device in one boot, by OPENED and FIRMWARE_REPLY.

    Attributes:
        sheet_digest: as OPENED names it, 16 hex digits.
        reset_cause: why it started, `ResetCause` of the wire.
        told: whether it said what follows; a device without the feature `firmware` does not.
        self_test: bit n: test n failed.
        crash_pc, crash_lr, crash_cause: of its last crash, all 0 when there was none.
    """

    boot_id: int
    board: str
    firmware: str
    sheet_digest: str
    reset_cause: int
    told: bool = False
    build: str = ""
    flash_crc: int = 0
    config_hash: int = 0
    self_test: int = 0
    crash_pc: int = 0
    crash_lr: int = 0
    crash_cause: int = 0

    @property
    def crashed(self) -> bool:
        """Whether it remembers a crash."""
        return bool(self.crash_pc or self.crash_lr or self.crash_cause)


class ShuntResult(msgspec.Struct, frozen=True, kw_only=True):
    """One shunt check.

    Attributes:
        ts: when it was done with, ns since 1970.
        when: `start` or `end`.
        outcome: `met`, `missed`, `undecided`, `not judged` (nothing to compare with) or `skipped`.
        why: why it was skipped or not judged.
        step: in the unit of the device's sheet, with its sign.
        unit: that unit.
        step_nm, u_nm, nu: the step as torque, its standard uncertainty and degrees of freedom.
        expected_nm: without sign; None when nothing is expected.
        deviation_pct: of its size from what is expected.
        change_pct: from the run's first step.
    """

    ts: int
    epoch: int
    when: str
    outcome: str
    why: str = ""
    step: float | None = None
    unit: str = ""
    step_nm: float | None = None
    u_nm: float | None = None
    nu: float | None = None
    expected_nm: float | None = None
    deviation_pct: float | None = None
    change_pct: float | None = None


class TorqueRemembered(msgspec.Struct, frozen=True, kw_only=True):
    """Torque that the device remembers from when the run recorded nothing.

    Attributes:
        ts: when it was read, ns since 1970.
        since_ts: when the oldest of these samples was taken; None when the device does not say.
        torque_min_nm, torque_max_nm: their extremes.
        limit_nm: the protective limit, without sign; None when there is none.
        beyond_ts: when the one beyond it was reached, None when none was.
    """

    ts: int
    boot_id: int
    since_ts: int | None
    torque_min_nm: float
    torque_max_nm: float
    limit_nm: float | None = None
    beyond_ts: int | None = None


class DeviceCounters(msgspec.Struct, frozen=True, kw_only=True):
    """What a device counts, lifetime totals of its boot, as the newest STATUS says it.

    Attributes:
        tx_stalls: times its transmitter had to wait.
        cpu_pct: processor load; None when the board does not measure it.
    """

    leases_refused: int
    adc_overrange: int
    encoder_errors: int
    tx_stalls: int
    cpu_pct: int | None


def load_pct(cpu_pct: int) -> int | None:
    """The processor load of a STATUS; None when the board does not measure it."""
    return cpu_pct if cpu_pct <= CPU_PCT_MAX else None


class Findings(msgspec.Struct, frozen=True):
    """What is known of the device of a run so far: its sheet, each boot that said who it is, each shunt check, torque that was remembered."""

    sheet: bytes = b""
    devices: tuple[DeviceFacts, ...] = ()
    shunt_checks: tuple[ShuntResult, ...] = ()
    remembered: tuple[TorqueRemembered, ...] = ()
