"""A folder with a rig and a variant that are good, for tests to spoil in one place."""

from pathlib import Path

RIG = """
schema = 1
[bench]
lab = "quillfen"
name = "basement"
data = "nights"
[mqtt]
url = "mqtts://broker.example:8883"
[[fixture]]
id = "pan-a1"
port = "/dev/nightturn-a1"
rate_hz = 10000
after_restart = "stay"
ramp_rad_per_s2 = 2.0
samples_per_block = 100
[fixture.transducer]
serial = "TR-204"
factor_nm_per_v = 4.0
[fixture.encoder]
counts_per_rev = 1048576
[fixture.travel]
range_deg = [-2400, 2400]
[fixture.protect]
torque_nm = { max = 18.0, on_exceed = "stop" }
friction_nm = { max = 0.40, on_exceed = "stop" }
[fixture.shunt]
resistance_ohm = 87150
tolerance_pct = 1.5
[fixture.plan]
slow_turn = { revolutions = 2, speed_rpm = 3.0 }
hold = { torque_nm = 5.0, revolutions = 3, speed_rpm = 3.0 }
exercise = { strokes = 50, angle_deg = 270, speed_rpm = 12 }
cycles = 2000
[[fixture]]
id = "pan-b2"
port = "socket://127.0.0.1:7001"
[fixture.transducer]
serial = "TR-205"
sensitivity_mv_per_v = 1.5
rated_torque_nm = 20.0
[fixture.encoder]
counts_per_rev = 262144
[fixture.plan]
slow_turn = { revolutions = 2, speed_rpm = 6.0 }
""".lstrip()

VARIANT = """
schema = 1
rated_torque_nm = 15.0
pole_pairs = 16
slots = 36
[accept]
friction_nm = { max = 0.150, at_rpm = 3.0, temp_degc = [18, 30] }
ripple_pct_rated = { max = 0.60, at_rpm = 3.0, at_torque_nm = 5.0 }
""".lstrip()

FIGURES = frozenset({"friction_nm", "ripple_pp_nm", "ripple_pct_rated"})


def spoilt(text: str, old: str, new: str) -> str:
    """The text with its only `old` replaced, so that a test cannot miss its target."""
    assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times"
    return text.replace(old, new)


def write_bench(folder: Path, rig: str = RIG, variant: str = VARIANT) -> Path:
    """Write both files; returns the rig's path."""
    (folder / "variants").mkdir(exist_ok=True)
    (folder / "variants" / "pan15.toml").write_text(variant, encoding="utf-8")
    path = folder / "bench.toml"
    path.write_text(rig, encoding="utf-8")
    return path
