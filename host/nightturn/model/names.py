"""Names that become folders, topics and keys: what they may look like, and no way out of the folder."""

import datetime as dt
import re

FIXTURE_ID = re.compile(r"[a-z][a-z0-9-]{0,31}")
RUN_ID = re.compile(r"\d{8}T\d{6}Z-[0-9a-f]{4}")
LAB_NAME = re.compile(r"[a-z0-9][a-z0-9-]{0,31}")
VARIANT_NAME = re.compile(r"[a-z0-9][a-z0-9_-]{0,31}")
TRANSDUCER_SERIAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
RESERVED_FIXTURES = frozenset({"host"})


def fixture_id_problem(text: str) -> str | None:
    """What is wrong with a fixture id, or None."""
    if text in RESERVED_FIXTURES:
        return f"{text!r} is reserved"
    if not FIXTURE_ID.fullmatch(text):
        return f"{text!r} is not a fixture id (a small letter, then up to 31 small letters, digits or -)"
    return None


def run_began_s(run: str) -> int:
    """When a run began by its id, s UTC; 0 for a text that is no run's."""
    if not RUN_ID.fullmatch(run):
        return 0
    return round(dt.datetime.strptime(run.partition("-")[0], "%Y%m%dT%H%M%S%z").timestamp())
