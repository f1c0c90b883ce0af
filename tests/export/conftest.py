"""A small run with holes, from which every test of this room exports."""

from pathlib import Path

import msgspec
import pytest
from tests.storage.store import Night, gap_row, manifest

from nightturn.storage.manifest import ENDED, write_manifest


@pytest.fixture(scope="session")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three chunks of 2,000 samples: a hole inside, one at an edge between chunks, and one that no row explains."""
    place = tmp_path_factory.mktemp("pieces")
    night = Night(place)
    night.add_chunk(2000, leave_out=(5, 6))
    night.add_chunk(2000, leave_out=(0,), gap_rows=False, rows=[gap_row(2000)])
    night.add_chunk(2000, leave_out=(7, 8, 9), gap_rows=False)
    night.files.close()
    write_manifest(night.files, msgspec.structs.replace(manifest(), state=ENDED))
    return place
