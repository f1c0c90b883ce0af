"""Torque for the ear: one channel of 16 bit at the rate of the samples, silent where samples are missing."""

import json
import wave
from pathlib import Path

import numpy as np

from nightturn.errors import StorageError
from nightturn.export.pieces import Block, Hole, pieces
from nightturn.export.stretch import Stretch
from nightturn.model.quantities import fixed
from nightturn.model.tiles import Float64s
from nightturn.storage import paths

FULL = 32_767
BYTES_MAX = 4_000_000_000
"""A WAV file counts its bytes in 32 bits."""
SILENCE_S_MAX = 60.0
"""Of one hole; a longer one is cut to this, and that is said."""
MILLI = 1000


class WavWriter:
    """The samples scaled to the range of the stretch; a sidecar says by which numbers torque comes back."""

    def __init__(self, path: Path, stretch: Stretch) -> None:
        self._path = path
        self._rate_hz, self._rate_millihz = _rate(stretch)
        self._low, self._high = _range(stretch)
        self._file = wave.open(str(path), "wb")  # noqa: SIM115 - closed by `close`
        self._file.setnchannels(1)
        self._file.setsampwidth(2)
        self._file.setframerate(self._rate_hz)
        self._frames = 0
        self._silences: list[dict[str, object]] = []

    @property
    def _offset_nm(self) -> float:
        return (self._low + self._high) / 2

    @property
    def _scale_nm(self) -> float:
        """Torque of one step; of a torque that never changes any would do."""
        return (self._high - self._low) / 2 / FULL or 1.0

    def block(self, block: Block) -> None:
        """The samples of a block."""
        self._write(np.rint((block.torque_nm - self._offset_nm) / self._scale_nm))

    def hole(self, hole: Hole) -> None:
        """As much silence as samples are missing, up to `SILENCE_S_MAX`."""
        most = round(SILENCE_S_MAX * self._rate_hz)
        silent = min(hole.missing, most)
        self._silences.append(
            {
                "at_frame": self._frames,
                "frames": silent,
                "cause": hole.cause,
                "missing": hole.missing,
                "cut": hole.missing > most,
            }
        )
        self._write(np.zeros(silent))

    def close(self) -> None:
        """The file, and beside it what its numbers mean."""
        self._file.close()
        said = {
            "torque_nm": "offset_nm + scale_nm * value",
            "offset_nm": self._offset_nm,
            "scale_nm": self._scale_nm,
            "rate_hz": self._rate_hz,
            "samples_per_s_recorded": self._rate_millihz / MILLI,
            "frames": self._frames,
            "silences": self._silences,
            "silence": f"value 0, for at most {fixed(SILENCE_S_MAX, 0)} s of a gap; it is no measured torque",
        }
        sidecar(self._path).write_text(json.dumps(said, indent=2) + "\n", "utf-8")

    def drop(self) -> None:
        """Close the file, which goes."""
        self._file.close()

    def _write(self, values: Float64s) -> None:
        if (self._frames + len(values)) * 2 > BYTES_MAX:
            raise StorageError(
                "the stretch is longer than a WAV file may be; choose a shorter one with --from and --until"
            )
        self._file.writeframesraw(np.clip(values, -FULL, FULL).astype("<i2").tobytes())
        self._frames += len(values)


def sidecar(path: Path) -> Path:
    """What says what a WAV file's numbers mean."""
    return path.with_suffix(".wav.json")


def _rate(stretch: Stretch) -> tuple[int, int]:
    """Samples a second, whole and in thousandths.

    Raises:
        StorageError: it changes within the run.
    """
    rates = {each.plan.rate_millihz for each in stretch.run.chunks(paths.RAW)}
    if len(rates) != 1:
        raise StorageError(
            "the rate of the samples changes within the run, and a WAV file has one; export CSV instead"
        )
    (rate,) = rates
    return max(1, round(rate / MILLI)), rate


def _range(stretch: Stretch) -> tuple[float, float]:
    """The lowest and the highest torque: the stretch is walked once beforehand."""
    low, high = np.inf, -np.inf
    for piece in pieces(stretch):
        if isinstance(piece, Block):
            low, high = min(low, float(piece.torque_nm.min())), max(high, float(piece.torque_nm.max()))
    return (low, high) if low <= high else (0.0, 0.0)
