"""The core before the first record of a tape's part: from its snapshot, or new where the run itself was."""

import msgspec

from nightturn.errors import CorruptFileError, SchemaVersionError
from nightturn.fixture.core import Fixture
from nightturn.model.facts import RUN_OPENED, RunOpened
from nightturn.model.records import Host
from nightturn.replay.tapes import Part
from nightturn.storage.segment import Segment


def take_over(core: Fixture, part: Part) -> None:
    """Give a new core the state that the live one had before the part's first record.

    A snapshot is read by the version of the state that wrote it. A run's own first record needs none: the live core was new
    then, as this one is, so tape of older versions is replayed from there.

    Raises:
        CorruptFileError: a snapshot of another version in the middle of a run.
    """
    try:
        core.restore(part.start.state)
    except SchemaVersionError as error:
        if not _first_of_its_run(part.segment):
            what = f"{error}; a tape of another version is replayed from the first segment of its run only"
            raise CorruptFileError(str(part.path), what) from error


def _first_of_its_run(segment: Segment) -> bool:
    _, first = next(iter(segment.records()), (0, None))
    if not isinstance(first, Host) or first.kind != RUN_OPENED:
        return False
    return not msgspec.msgpack.decode(first.body, type=RunOpened).resumed
