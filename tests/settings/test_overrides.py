"""`--set` changes one key, and a mistake in it is told by the argument itself."""

from pathlib import Path

import pytest
from tests.settings.bench_folder import write_bench

from nightturn.errors import ConfigError
from nightturn.settings.load import load_rig


def test_a_number_a_text_and_a_table_can_be_set(tmp_path: Path) -> None:
    rig = load_rig(
        write_bench(tmp_path),
        [
            "fixture.pan-a1.rate_hz=2000",
            "fixture.pan-a1.after_restart=resume",
            "fixture.pan-b2.port=/dev/other",
            "fixture.pan-b2.plan.hold={ torque_nm = 3.0 }",
            "fixture.pan-b2.plan.exercise.strokes = 4",
            "mqtt.username=owl",
        ],
    )
    assert rig.fixture[0].rate_hz == 2000
    assert rig.fixture[0].after_restart == "resume"
    assert rig.fixture[1].port == "/dev/other"
    assert rig.fixture[1].plan.hold is not None
    assert rig.fixture[1].plan.hold.torque_nm == 3.0
    assert rig.fixture[1].plan.exercise.strokes == 4
    assert rig.mqtt is not None
    assert rig.mqtt.username == "owl"


def test_the_last_of_two_wins(tmp_path: Path) -> None:
    rig = load_rig(write_bench(tmp_path), ["fixture.pan-a1.rate_hz=2000", "fixture.pan-a1.rate_hz=4000"])
    assert rig.fixture[0].rate_hz == 4000


@pytest.mark.parametrize(
    ("argument", "message"),
    [
        (
            "fixture.pan-a1.rate_hz=fast",
            '--set fixture.pan-a1.rate_hz=fast: "fast" is text; allowed: a whole number from 100 to 50000',
        ),
        (
            "fixture.pan-a1.rate=3",
            '--set fixture.pan-a1.rate=3: unknown key "rate"; did you mean "rate_hz"?; allowed: id, port, rate_hz',
        ),
        (
            "fixture.pan-a1.plan.hold={ torqe_nm = 2.0 }",
            '--set fixture.pan-a1.plan.hold={ torqe_nm = 2.0 }: unknown key "torqe_nm"; did you mean "torque_nm"?',
        ),
        (
            "fixture.pan-a11.rate_hz=1000",
            '--set fixture.pan-a11.rate_hz=1000: no fixture "pan-a11"; did you mean "pan-a1"?; allowed: pan-a1, pan-b2',
        ),
        ("fixture.rate_hz=1000", '--set fixture.rate_hz=1000: no fixture ""; allowed: pan-a1, pan-b2'),
        ("rate_hz", '--set: "rate_hz" is not an override; allowed: table.key=value'),
        ("bench..lab=x", '--set: "bench..lab=x" is not an override; allowed: table.key=value'),
        ("bench.lab.x=1", '--set bench.lab.x=1: "lab" is a value, not a table; allowed: table.key=value'),
        ("fixture=3", "--set fixture=3: 3 is a whole number; allowed: tables, each begun with [[fixture]]"),
        (
            "fixture.pan-a1.plan.exercise.strokes=3",
            "--set fixture.pan-a1.plan.exercise.strokes=3: 3 is odd",
        ),
    ],
)
def test_a_mistake_names_the_argument(argument: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(ConfigError) as caught:
        load_rig(write_bench(tmp_path), [argument])
    assert message in str(caught.value)
