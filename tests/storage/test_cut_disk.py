"""The power of a real file system is cut while a tape is written: what was said to be durable is there, whole and in order."""

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

ON_CUT_DISK = Path(__file__).with_name("on_cut_disk.py")
LIMIT_S = 200.0


@pytest.mark.long  # wants a loop device, which not every container gives
@pytest.mark.skipif(os.geteuid() != 0, reason="only root may mount a file of its own as a disk")
def test_what_was_said_to_be_durable_is_on_an_ext4_whose_power_was_cut(tmp_path: Path) -> None:
    """In a mount namespace of its own, so that nothing is left mounted; the model of `crash_states` is held to all orders."""
    done = subprocess.run(
        ["unshare", "--mount", sys.executable, str(ON_CUT_DISK), str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=LIMIT_S,
        check=False,
    )
    assert done.returncode == 0, done.stderr[-3000:]
    said = json.loads(done.stdout.splitlines()[-1])

    assert 0 < said["durable"] < said["written"]
    assert said["durable"] <= said["there"] <= said["written"]
    assert said["whole"] is True
