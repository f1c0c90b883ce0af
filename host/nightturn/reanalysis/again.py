"""The way of the samples once more: stored chunks through scan, folds and figures, as live, with what the run recorded beside them.

A restart of the device or the host begins another epoch; a restart of the host also forgets the cycles before, as the core does.
Temperatures are those of the rows in `slow`, one every ten seconds, where the core saw every reading.
"""

import math
from collections.abc import Iterator, Sequence

import msgspec
import numpy as np

from nightturn.calibration.records import CalibrationRecord
from nightturn.errors import StorageError
from nightturn.estimation.assembly import CycleSums
from nightturn.fixture.measure import Finished, Measure
from nightturn.fixture.stream import INDEX, Stream, derive
from nightturn.model.figures import CycleRecord
from nightturn.model.rows import ChunkPlan
from nightturn.model.tiles import Tile
from nightturn.motion.interlocks import watched_inputs
from nightturn.reanalysis.recorded import HOST_RESTARTED, Reading, Recorded
from nightturn.storage.chunk import clock_line, times_ns
from nightturn.storage.chunk_file import ChunkFile
from nightturn.storage.sample_tiles import tiles_of
from nightturn_protocol.messages import Input, SampleFlag

TILE_SECONDS = 10.0
OURS = np.uint8(0xFF ^ SampleFlag.TIME_UNLOCKED)
"""Without the flag that the sealing adds to a sample's own."""
SCALE_REL = 1e-12
OTHER_SETTINGS = (
    "epoch {} and what follows up to the next start of the host: recorded under settings that were changed during the run; "
    "its manifest keeps the first ones only, `nightturn replay` has all of them on the tape"
)


class Streams:
    """What follows from the run's settings and the sheet of an epoch's device.

    Args:
        recorded: of the run.
        calibration: the record to apply; sums are made with the recorded one whatever it is.
    """

    def __init__(self, recorded: Recorded, calibration: CalibrationRecord) -> None:
        self._recorded = recorded
        self._calibration = calibration
        self._digests = {
            epoch: {cycle.config_digest for cycle in recorded.cycles.values() if cycle.epoch == epoch}
            for epoch in {cycle.epoch for cycle in recorded.cycles.values()}
        }

    def of(self, epochs: range) -> Stream | None:
        """Of the epoch that the range ends with; None when the settings were other ones than the manifest's.

        The digest that each stored cycle carries decides; where an epoch has none, that no setting was changed up to it.

        Args:
            epochs: from the last start of the host up to the epoch itself.
        """
        recorded = self._recorded
        known = set().union(*(self._digests.get(epoch, set()) for epoch in epochs))
        sheets = [each for each in recorded.manifest.sheets if each.epoch <= epochs[-1]]
        for since in reversed(sheets or recorded.manifest.sheets[:1]):
            stream = derive(recorded.settings, recorded.manifest, since.sheet.encode())
            if stream.conditions.config_digest in known or (
                not known and not any(epoch <= epochs[-1] for epoch in recorded.changed)
            ):
                return self._calibrated(stream, since.sheet.encode())
        return None

    def _calibrated(self, stream: Stream, sheet: bytes) -> Stream:
        """With the figures' calibration, the scan's settings staying as they were."""
        if self._calibration == self._recorded.settings.calibration:
            return stream
        settings = msgspec.structs.replace(self._recorded.settings, calibration=self._calibration)
        now = derive(settings, self._recorded.manifest, sheet)
        return msgspec.structs.replace(stream, conditions=now.conditions)


class Again:
    """One run, chunk by chunk, oldest first.

    Attributes:
        cycles: what was finished so far.
        samples: how many went in.
        left_out: sentences on what cannot be made again.
        digests: of the settings under which cycles could be made.
    """

    def __init__(self, recorded: Recorded, streams: Streams) -> None:
        self.cycles: list[CycleRecord] = []
        self.samples = 0
        self.left_out: list[str] = []
        self.digests: set[str] = set()
        self._recorded, self._streams = recorded, streams
        self._watched = watched_inputs(recorded.settings.fixture)
        self._stream: Stream | None = None
        self._measure: Measure | None = None
        self._epoch = self._began = self._next = -1
        self._knots: dict[int, int] = {}
        self._marks: list[tuple[int, ChunkPlan]] = []
        self._readings: Sequence[Reading] = ()
        self._taken = 0

    def chunk(self, each: ChunkFile) -> None:
        """The samples of the next chunk.

        Raises:
            CorruptFileError: the file fails a checksum or cannot be decoded.
            StorageError: it was recorded at another scale than settings and sheet give.
        """
        plan = each.plan
        if not each.rows:
            return
        if plan.epoch != self._epoch:
            self._begin(plan.epoch)
        if self._stream is None:
            return
        _check_scale(each, self._stream, plan)
        self._knots.update(plan.knots)
        sections, row = [section for section in each.sections if section.rows], 0
        for tile in tiles_of(each, TILE_SECONDS):
            if sections and row >= sections[0].start:
                self._marks.append((tile.index, sections.pop(0).plan))
            row += len(tile.raw)
            self._tile(tile)

    def close(self) -> None:
        """No chunk follows: a cycle that the run broke off, as its stored cycles say, breaks off here too."""
        seen = {(cycle.epoch, cycle.index_first) for cycle in self.cycles}
        if any(key[0] == self._epoch and key not in seen for key in self._recorded.cycles):
            self._interrupt(self._recorded.restarts.get(self._epoch, HOST_RESTARTED))

    def _begin(self, epoch: int) -> None:
        """Another epoch: what is open breaks off, and what the device is may be another."""
        between = range(self._epoch + 1, epoch + 1)
        host = any(each in self._recorded.resumed for each in between)
        self._interrupt(self._recorded.restarts.get(self._epoch, HOST_RESTARTED))
        if host or self._epoch < 0:
            self._began, self._measure = epoch, None
        self._stream = self._streams.of(range(self._began, epoch + 1))
        if self._stream is None:
            self.left_out.append(OTHER_SETTINGS.format(epoch))
            self._measure = None
        else:
            self.digests.add(self._stream.conditions.config_digest)
            self._measure = self._measure or self._started(epoch, self._stream)
        self._epoch, self._next = epoch, -1
        self._knots, self._marks = {}, []
        self._readings, self._taken = self._recorded.readings.get(epoch, ()), 0

    def _started(self, epoch: int, stream: Stream) -> Measure:
        settings = self._recorded.settings.fixture
        return Measure.start(stream.scan, self._cycle_no(epoch), settings.rate_hz, settings.plan.dwell_s)

    def _cycle_no(self, epoch: int) -> int:
        """The number of the first cycle from an epoch on: as stored, else the next one."""
        stored = [each.cycle_no for each in self._recorded.cycles.values() if each.epoch >= epoch]
        return min(stored, default=self.cycles[-1].cycle_no + 1 if self.cycles else 1)

    def _interrupt(self, reason: str) -> None:
        if self._measure is not None:
            self._finished(self._measure.interrupt(reason))

    def _tile(self, tile: Tile) -> None:
        assert self._stream is not None
        assert self._measure is not None
        if 0 <= self._next < tile.index:
            self._finished(self._measure.gap(self._next, tile.index))
        self._next = tile.end
        self.samples += len(tile.raw)
        tile = msgspec.structs.replace(tile, flags=tile.flags & OURS)
        rig = (
            self._stream.conditions.rig is not None
            and self._recorded.settings.fixture.encoder.reference == INDEX
        )
        for part in self._between_readings(tile):
            if rig:
                self._measure.note_index(part, int(Input.INDEX_SEEN))
            self._finished(self._measure.feed(part, self._watched))

    def _between_readings(self, tile: Tile) -> Iterator[Tile]:
        """The tile in parts, temperatures given to the estimator where they were read, so that no edge of a chunk matters."""
        assert self._stream is not None
        assert self._measure is not None
        start, roles = tile.index, self._stream.temperature_roles
        while self._taken < len(self._readings):
            tick, channel, value = self._readings[self._taken]
            at = tile.index + -(-(tick - tile.tick) // tile.ticks_per_sample)
            if at >= tile.end:
                break
            if at > start:
                yield tile.part(start, at)
                start = at
            if channel in roles and math.isfinite(value):
                self._measure.estimator.warm([(roles[channel], round(value * 1000))])
            self._taken += 1
        yield tile.part(start, tile.end)

    def _finished(self, items: Sequence[Finished]) -> None:
        for item in items:
            if isinstance(item, CycleSums):
                self.cycles.append(self._cycle(item))

    def _cycle(self, sums: CycleSums) -> CycleRecord:
        assert self._stream is not None
        assert self._measure is not None
        conditions = self._stream.conditions
        if conditions.rig is not None and not self._measure.tied(sums):
            conditions = msgspec.structs.replace(conditions, rig_tied=False)
        stored = self._recorded.cycles.get((sums.epoch, sums.index_first))
        if stored is not None:
            records, times = (stored.record_first, stored.record_last), (stored.ts_start, stored.ts_end)
        else:
            records, times = self._records(sums), self._times(sums)
        record = self._measure.history.finish(sums, conditions, *records, *times)
        return record if stored is None else msgspec.structs.replace(record, cycle_no=stored.cycle_no)

    def _records(self, sums: CycleSums) -> tuple[int, int]:
        """Of a cycle that was not stored: the records of the chunks that have its samples."""
        first = [plan.first for index, plan in self._marks if index <= sums.index_first]
        return first[-1] if first else self._marks[0][1].first, self._marks[-1][1].last

    def _times(self, sums: CycleSums) -> tuple[int, int]:
        """Of a cycle that was not stored: by the clock's line of its epoch."""
        assert self._stream is not None
        ticks = np.array([sums.tick_first, sums.tick_last], np.int64)
        start, end = times_ns(ticks, clock_line(sorted(self._knots.items()), self._stream.tick_hz)).tolist()
        return start, end


def _check_scale(each: ChunkFile, stream: Stream, plan: ChunkPlan) -> None:
    """A chunk whose counts mean something else than settings and sheet say gives no figures."""
    scale = stream.scale
    pairs = ((scale.lsb_nm, plan.lsb_nm), (scale.zero_count, plan.zero_count))
    if not all(math.isclose(one, other, rel_tol=SCALE_REL, abs_tol=SCALE_REL) for one, other in pairs):
        raise StorageError(
            f"{each.path}: recorded at {plan.lsb_nm!r} N·m a count and zero {plan.zero_count!r}, the manifest's settings and sheet "
            f"give {scale.lsb_nm!r} and {scale.zero_count!r}"
        )
