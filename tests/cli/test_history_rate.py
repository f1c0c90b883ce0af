"""`history` takes the rate of false alarms from the rig file whose data it reads."""

from pathlib import Path

import pytest
from tests.settings.bench_folder import write_bench

from nightturn.cli import history
from nightturn.settings.rig import FALSE_ALARMS_PER_NIGHT


@pytest.mark.parametrize(
    ("root", "text", "rate"),
    [
        ("nights", "false_alarms_per_night = 0.2\n", (0.2, 2)),
        ("nights", "", (FALSE_ALARMS_PER_NIGHT, 2)),
        ("elsewhere", "false_alarms_per_night = 0.2\n", (FALSE_ALARMS_PER_NIGHT, 1)),
        ("nights", "false_alarms_per_night = -1\n", (FALSE_ALARMS_PER_NIGHT, 1)),
    ],
)
def test_the_rate_is_that_of_the_rig_file_beside_the_data_where_there_is_one(
    tmp_path: Path, root: str, text: str, rate: tuple[float, int]
) -> None:
    bench = write_bench(tmp_path)
    bench.write_text(bench.read_text().replace('data = "nights"\n', f'data = "nights"\n{text}'))
    assert history._rate(tmp_path / root) == rate


def test_without_a_rig_file_it_is_the_usual_one(tmp_path: Path) -> None:
    assert history._rate(tmp_path / "nights") == (FALSE_ALARMS_PER_NIGHT, 1)
