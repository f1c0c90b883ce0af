"""The scene: Quillfen, an invented maker of pan actuators for camera cranes, and its three fixtures for one night."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from nightturn.calibration.records import CalibrationRecord, encode_line
from nightturn.demo.stories import CONDITIONED, Story, beside, conditioning_h, course_of
from nightturn.errors import StorageError
from nightturn.model.cards import MountCard
from nightturn.model.certificates import Certificate, Expanded

CARDS = {
    "pan-a1": MountCard(
        travel_zero_confirmed=True,
        unit="Q-0117",
        variant="pan15",
        operator="R. Vale",
        notes="reference unit",
        mounted_utc="",
    ),
    "pan-a2": MountCard(
        travel_zero_confirmed=True,
        unit="Q-0121",
        variant="pan15",
        operator="R. Vale",
        notes="new bearing supplier",
        mounted_utc="",
    ),
    "pan-b1": MountCard(
        travel_zero_confirmed=True,
        unit="Q-0203",
        variant="pan15",
        operator="M. Thorn",
        notes="bridge cable of last year",
        mounted_utc="",
    ),
}

OUTAGE_S = 40.0
HELD_NM = 2.0
"""What a unit that is conditioned holds in its strokes."""
CYCLE_S = 177.9
"""One cycle of the plan below, as `check` works it out."""

DATA = "nights"
SERIAL = "TR-2{seed}"
BOUND_K = 1.732
"""Of a bound of which nothing else is known (JCGM 100:2008, 4.3.7)."""


def calibration(serial: str) -> CalibrationRecord:
    """The invented certificate of a transducer of 20 N·m."""
    return CalibrationRecord(
        id=f"{serial}/1",
        transducer=serial,
        certificate=f"QL 26/{serial}",
        factor_nm_per_v=4.0,
        valid_from=datetime(2026, 1, 12, tzinfo=UTC),
        uncertainty=Certificate(
            full_scale_nm=20.0,
            temp_low_degc=21.0,
            temp_high_degc=25.0,
            factor_rel=Expanded(0.0005, 2.0),
            linearity_rel_fs=Expanded(0.0003, BOUND_K),
            hysteresis_rel_fs=Expanded(0.0003, BOUND_K),
            zero_return_rel_fs=Expanded(0.0002, BOUND_K),
            tk0_rel_fs_per_10k=Expanded(0.0003, BOUND_K),
            tkc_rel_per_10k=Expanded(0.0003, BOUND_K),
            excitation_rel=Expanded(0.0001, BOUND_K),
            gain_rel=0.0001,
        ),
    )


BENCH_HEAD = """\
# The demo's rig at an invented maker of pan actuators for camera cranes.
schema = 1

[bench]
lab = "quillfen"
name = "crane-hall"
data = "nights"
"""

# What stands around each simulated unit, virtual or emulated.
STAND = """
[fixture.transducer]
serial = "TR-2{seed}"
mounting = "reaction"
positive = "ccw seen from the actuator flange"   # its factor: nights/calibrations/TR-2{seed}.jsonl

[fixture.encoder]
counts_per_rev = 1048576
reference = "absolute"

[fixture.drive]
pole_pairs = 4
slots = 24

[fixture.travel]
range_deg = [-2700, 2700]

[fixture.shunt]                        # what the simulated bridge's shunt reads as
step_nm = 8.0
"""

FIXTURE = (
    """
[[fixture]]
id = "{id}"
port = "virtual:pan15?seed={seed}{faults}"
rate_hz = 1000
after_restart = "resume"
ramp_rad_per_s2 = 2.0
chunk_s = 1800

[fixture.protect]
torque_nm = {{ max = 18.0, on_exceed = "{on_exceed}" }}
friction_nm = {{ max = 0.40, on_exceed = "stop" }}

[fixture.plan]
slow_turn = {{ revolutions = 2, speed_rpm = 5.0 }}
hold = {{ torque_nm = 5.0, revolutions = 3, speed_rpm = 5.0 }}
exercise = {{ strokes = 16, angle_deg = 270, speed_rpm = 15{held} }}
cycles = {cycles}
{beside}"""
    + STAND
)

VARIANT = """\
schema = 1
rated_torque_nm = 15.0
pole_pairs = 16
slots = 36

[[bearing]]
name = "output"
balls = 22
ball_mm = 5.4
pitch_mm = 60.0

[accept]
friction_nm = { max = 0.150, at_rpm = 5.0, temp_degc = [10, 45] }
ripple_pct_rated = { max = 0.60, at_rpm = 5.0, at_torque_nm = 5.0 }
"""


def fault_text(faults: Sequence[tuple[str, float]], hours: float) -> str:
    """The faults of a fixture, each at its share of the night, as a part of its port's address."""
    text = ""
    for kind, share in faults:
        text += f"&fault={kind}@{round(share * hours * 3600)}s"
        if kind == "outage":
            text += f"+{round(OUTAGE_S)}s"
    return text


def write_scene(folder: Path, hours: float, seed: int, story: Story = Story.NIGHT) -> Path:
    """Write `bench.toml` and the variant, and return the path of the rig file.

    Raises:
        StorageError: the folder cannot be written.
    """
    course = course_of(story)
    fixtures = [
        _fixture(fixture, hours, seed + number, course.faults[fixture], more=course.conditioned)
        for number, fixture in enumerate(CARDS)
    ]
    serials = [SERIAL.format(seed=seed + number) for number in range(len(fixtures))]
    return write_files(folder, BENCH_HEAD + "".join(fixtures), serials)


def _fixture(
    fixture: str, hours: float, seed: int, faults: Sequence[tuple[str, float]], *, more: bool
) -> str:
    """Its tables; `more`: the story's nights condition a unit."""
    conditioned = more and fixture == CONDITIONED
    left_h = hours - (2 * conditioning_h(hours) if conditioned else 0.0)
    cycles = max(1, int(left_h * 3600 / CYCLE_S))
    cabled = any(kind == "cable" for kind, _ in faults)
    return FIXTURE.format(
        id=fixture,
        seed=seed,
        cycles=cycles,
        faults=fault_text(faults, hours),
        on_exceed="warn" if cabled else "stop",
        held=f", torque_nm = {HELD_NM}" if conditioned else "",
        beside=beside(hours, cycles) if conditioned else "",
    )


def write_files(folder: Path, rig: str, serials: Sequence[str], variant: str = VARIANT) -> Path:
    """Write a rig file, the variant beside it and a calibration record for each transducer; return the rig file's path.

    Raises:
        StorageError: the folder cannot be written.
    """
    bench = folder / "bench.toml"
    try:
        (folder / "variants").mkdir(parents=True, exist_ok=True)
        (folder / "variants" / "pan15.toml").write_text(variant, encoding="utf-8")
        calibrations = folder / DATA / "calibrations"
        calibrations.mkdir(parents=True, exist_ok=True)
        for serial in serials:
            text = encode_line(calibration(serial))
            (calibrations / f"{serial}.jsonl").write_text(text, encoding="utf-8")
        bench.write_text(rig, encoding="utf-8")
    except OSError as error:
        raise StorageError(f"{folder}: cannot be written: {error.strerror}; choose another --out") from error
    return bench
