"""The rig of a load: fixtures on ptys, each with a unit that is mounted and may turn."""

from pathlib import Path

from tests.benchmarks.live.devices import line_of

from nightturn.demo.broker import Broker
from nightturn.model.cards import MountCard
from nightturn.settings.load import append_card, load_rig

HEAD = (
    'schema = 1\n[bench]\nlab = "quillfen"\ndata = "nights"\n[mqtt]\nurl = "{url}"\nprotocol = "{protocol}"\n'
)
FIXTURE = """
[[fixture]]
id = "load-{number}"
port = "{port}"
rate_hz = {rate}
after_restart = "resume"
ramp_rad_per_s2 = 20.0
{chunk}[fixture.transducer]
serial = "TR-{number}"
factor_nm_per_v = 4.0
[fixture.encoder]
counts_per_rev = 1048576
reference = "absolute"
[fixture.travel]
range_deg = [-3600, 3600]
[fixture.plan]
slow_turn = {{ revolutions = 1, speed_rpm = 30.0 }}
hold = {{ torque_nm = 5.0, revolutions = 1, speed_rpm = 30.0 }}
exercise = {{ strokes = 2, angle_deg = 240, speed_rpm = 60 }}
"""
VARIANT = "schema = 1\nrated_torque_nm = 15.0\npole_pairs = 16\nslots = 36\n"
PERSON = "load"


def unit_of(number: int) -> str:
    """The unit on a fixture."""
    return f"Q-{number:04d}"


def set_out(folder: Path, count: int, rate: int, chunk_s: float | None, broker: Broker, web: str) -> float:
    """Rig file, variant and a card per fixture; returns the chunk length that holds."""
    (folder / "variants").mkdir()
    (folder / "variants" / "pan15.toml").write_text(VARIANT)
    chunk = "" if chunk_s is None else f"chunk_s = {chunk_s}\n"
    parts = [
        FIXTURE.format(number=number, port=line_of(folder, number), rate=rate, chunk=chunk)
        for number in range(count)
    ]
    head = HEAD.format(url=broker.url, protocol=broker.protocol)
    (folder / "bench.toml").write_text(head + web + "".join(parts))
    for number in range(count):
        card = MountCard(
            travel_zero_confirmed=True,
            unit=unit_of(number),
            variant="pan15",
            operator=PERSON,
            mounted_utc="2026-05-04T18:00:00Z",
        )
        append_card(folder / "nights", f"load-{number}", card)
    return load_rig(folder / "bench.toml").fixture[0].chunk_s
