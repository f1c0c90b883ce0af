"""Samples as MDF4, through the library that reads and writes it (extra `mdf`)."""

import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from nightturn.errors import ConfigError
from nightturn.export.columns import COLUMNS, GAP, seconds
from nightturn.export.pieces import Block, Hole
from nightturn.export.stretch import Stretch
from nightturn.export.tables import hole_text
from nightturn.model.clocks import NS_PER_S

VERSION = "4.10"
SAMPLES, GAPS = "samples", "gaps"
CHANNELS = tuple(each for each in COLUMNS if each.name not in {"ts", "t_s"})
TEXT_BYTES = 160
"""Of a gap's sentence; longer ones are cut."""


class MdfWriter:
    """A group of samples with a time channel, and one of gaps, both from the first sample on in seconds.

    What was written waits in files beside the target, not in memory.
    """

    def __init__(self, path: Path, stretch: Stretch) -> None:
        try:
            from asammdf import MDF, Signal
        except ModuleNotFoundError as error:
            raise ConfigError(
                "needs asammdf, which is not installed",
                where="--as mdf4",
                allowed="pip install 'nightturn[mdf]'",
            ) from error
        self._path, self._stretch, self._signal = path, stretch, Signal
        self._folder = tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.name}.")
        self._mdf: Any = MDF(version=VERSION, temporary_folder=self._folder.name)
        self._first_ts: int | None = None
        self._holes: list[Hole] = []

    def block(self, block: Block) -> None:
        """The samples of a block."""
        begins = self._first_ts is None
        first = int(block.ts[0]) if self._first_ts is None else self._first_ts
        at, columns = seconds(block, first), _values(block)
        if begins:
            self._first_ts = first
            self._begin(first)
            self._mdf.append(
                [
                    self._signal(columns[each.name], at, name=each.name, unit=each.unit, comment=each.meaning)
                    for each in CHANNELS
                ],
                acq_name=SAMPLES,
                comment=SAMPLES,
                common_timebase=True,
            )
        else:
            self._mdf.extend(0, [(at, None), *((columns[each.name], None) for each in CHANNELS)])

    def hole(self, hole: Hole) -> None:
        """Kept for the group of gaps."""
        self._holes.append(hole)

    def close(self) -> None:
        """The file, and nothing that waited beside it."""
        if self._holes and self._first_ts is not None:
            at = np.array([(hole.from_ts - self._first_ts) / NS_PER_S for hole in self._holes])
            ends = np.array([(hole.to_ts - self._first_ts) / NS_PER_S for hole in self._holes])
            missing = np.array([hole.missing for hole in self._holes], np.int64)
            said = [hole_text(hole, self._stretch).encode()[:TEXT_BYTES] for hole in self._holes]
            self._mdf.append(
                [
                    self._signal(ends, at, name="gap_end", unit="s", comment="when samples come again"),
                    self._signal(missing, at, name="missing", comment="samples that are missing"),
                    self._signal(np.array(said), at, name=GAP.name, comment="in words", encoding="utf-8"),
                ],
                acq_name=GAPS,
                comment=GAPS,
                common_timebase=True,
            )
        self._mdf.save(self._path, overwrite=True, compression=1)
        self.drop()

    def drop(self) -> None:
        """Close what waited beside the file, and delete it."""
        self._mdf.close()
        self._folder.cleanup()

    def _begin(self, first_ts: int) -> None:
        stretch = self._stretch
        self._mdf.start_time = datetime.fromtimestamp(first_ts // NS_PER_S, UTC)
        self._mdf.header.comment = (
            f"unit {stretch.summary.unit}, fixture {stretch.summary.fixture}, run {stretch.summary.run}; time 0 is "
            f"{stretch.local(first_ts)} ({stretch.zone}) and {first_ts % NS_PER_S} ns"
        )


def _values(block: Block) -> dict[str, np.ndarray]:
    return {
        "torque_nm": block.torque_nm,
        "angle_rad": block.angle_rad,
        "epoch": block.epoch.astype(np.int32),
        "index": block.index,
        "flags": block.flags.astype(np.uint8),
        "inputs": block.inputs.astype(np.uint16),
        "segment": np.full(len(block), block.segment, np.int32),
    }
