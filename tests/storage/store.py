"""A small night on disk: a rig, a run with chunks, gaps, rows of every dataset, and its tape."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
from tests.storage.scenario import (
    BLOCK_SAMPLES,
    COUNTS_PER_REV,
    FIXTURE,
    RUN,
    STARTED_NS,
    FixedClock,
    bench_signal,
    block_frames,
    cut,
    plan_for,
    rows_of_every_dataset,
)

from nightturn.model.facts import RunOpened
from nightturn.model.records import Emit, Record
from nightturn.model.rows import GAPS, GapRow
from nightturn.settings.rig import CyclePlan, Encoder, FixtureSettings, Transducer
from nightturn.storage.catalogue import Catalogue
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import Manifest, of_opened, write_manifest
from nightturn.storage.seal import Sealed

CHUNK_SAMPLES = 30_000  # three seconds at 10 kS/s


def rig_settings() -> FixtureSettings:
    """A fixture with an inline factor of 4 N·m/V."""
    return FixtureSettings(
        id=FIXTURE,
        port="virtual:pan15",
        transducer=Transducer(serial="TR-204", factor_nm_per_v=4.0),
        encoder=Encoder(counts_per_rev=COUNTS_PER_REV),
        plan=CyclePlan(),
    )


def opened(run: str = RUN) -> RunOpened:
    """The fact that opens the run."""
    return RunOpened(
        run=run,
        rig=msgspec.json.encode(rig_settings()).decode(),
        variant="{}",
        card="{}",
        calibration="{}",
        utc_offset_ns=0,
        started_utc_ns=STARTED_NS,
        first_record_no=1,
        epoch=1,
        chunk_no=1,
        resumed=False,
        control_period_ms=100,
        status_ms=100,
        nonce=1,
        host_version="0.1.0",
    )


def manifest(run: str = RUN) -> Manifest:
    """The run's manifest."""
    return of_opened(FIXTURE, opened(run), "1.0")


@dataclass
class Night:
    """A run being written: `add_chunk` writes records, cuts and seals as the daemon does."""

    root: Path
    run: str = RUN

    def __post_init__(self) -> None:
        self.files = RealFiles(self.root)
        self.catalogue = Catalogue(self.root)
        self.journal = Journal(
            self.files, FIXTURE, FixedClock(), catalogue=self.catalogue, host_version="0.1.0"
        )
        self.journal.open(1, self.run, 1, b"state")
        write_manifest(self.files, manifest(self.run))
        self.index = 0
        self.chunk_no = 0

    def add_chunk(
        self,
        samples: int = CHUNK_SAMPLES,
        *,
        leave_out: Sequence[int] = (),
        gap_rows: bool = True,
        rows: Sequence[Emit] = (),
        more: Sequence[Record] = (),
        unlocked_until_tick: int = 0,
    ) -> Sealed:
        """The next `samples` samples without the blocks in `leave_out`, whose gap rows go with them."""
        self.chunk_no += 1
        raw, encoder = bench_signal(samples, seed=self.chunk_no)
        first = self.journal.next_record_no
        frames = block_frames(raw, encoder, first_index=self.index, leave_out=leave_out)
        last = self.journal.write([*more, *frames, cut()])
        path = self.journal.rotate(b"state", self.run, 1)
        stored = samples - len(leave_out) * BLOCK_SAMPLES
        plan = plan_for(
            first, last, stored, chunk_no=self.chunk_no, run=self.run, unlocked_until_tick=unlocked_until_tick
        )
        gaps = [gap_row(self.index + block * BLOCK_SAMPLES) for block in leave_out] if gap_rows else []
        self.index += samples
        return self.journal.seal(path, plan, [*rows, *gaps])


def gap_row(index: int, n: int = BLOCK_SAMPLES) -> Emit:
    """One block missing by the link."""
    ts = STARTED_NS + index * 100_000
    return Emit(GAPS, GapRow("link", 1, index, index + n, ts, ts + n * 100_000, n, exact=True))


def full_night(root: Path) -> Night:
    """Three chunks, two missing blocks inside and one at an edge, and rows of every dataset."""
    night = Night(root)
    night.add_chunk(leave_out=(17, 18))
    rows = [row for row in rows_of_every_dataset() if row.dataset != GAPS]
    night.add_chunk(leave_out=(0,), rows=rows)
    night.add_chunk()
    return night
