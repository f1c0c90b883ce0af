"""Jobs whose worker dies, for pools and clusters to survive."""

import os
import signal
from pathlib import Path

from nightturn.reanalysis.job import Job, carry_out
from nightturn.reanalysis.outcome import Outcome

DIED = "died"


def dies_once(job: Job) -> Outcome:
    """The first worker that gets the job of the fixture is killed, as by the system when memory runs out."""
    marker = Path(job.root) / DIED
    if not marker.exists():
        marker.write_text(str(os.getpid()), encoding="utf-8")
        os.kill(os.getpid(), signal.SIGKILL)
    return carry_out(job)


def always_dies(job: Job) -> Outcome:
    """A job under which every worker dies, if its root says so."""
    if (Path(job.root) / DIED).exists():
        os.kill(os.getpid(), signal.SIGKILL)
    return carry_out(job)
