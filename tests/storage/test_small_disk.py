"""A disk that is really full, a tmpfs of 24 MB: what the kernel says and does then, not a stand-in for it."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ON_SMALL_DISK = Path(__file__).with_name("on_small_disk.py")
PAGE_BYTES = 4096
LIMIT_S = 300.0


@pytest.mark.long  # wants a mount namespace, which not every container gives
def test_a_station_on_a_disk_of_24_mb_stops_before_it_is_full_goes_on_with_events_and_accounts_for_every_sample(
    tmp_path: Path,
) -> None:
    """In a mount namespace of its own, so that nothing is left mounted whatever happens."""
    done = subprocess.run(
        ["unshare", "--map-root-user", "--mount", sys.executable, str(ON_SMALL_DISK), str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    said = json.loads(done.stdout.splitlines()[-1])

    assert (said["moving_when_short"], said["batches_lost"]) == (False, 0)
    assert said["free_when_full"] < PAGE_BYTES
    assert (
        said["durable_when_full"] > 100
    )  # ticks and what the device says of itself, on the room that was kept
    assert (said["motion"], said["moving"]) == (
        "locked",
        False,
    )  # recording goes on by itself, motion does not
    assert any(why.startswith("the disk keeps no room for the next 4 MB of tape") for why in said["why"])
    assert "journal_failed" not in said["kinds"]
    assert {cause for cause, _ in said["gaps"]} == {"disk"}
    assert sum(missing for _, missing in said["gaps"]) == said["missing"] > 0
    assert said["problems"] == []
    assert said["stored"] > 0
