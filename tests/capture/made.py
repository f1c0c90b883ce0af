"""Captures made up, as text in any dialect, with every number known."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest

from nightturn.capture.asked import Asked
from nightturn.capture.found import Found, Line
from nightturn.capture.reading import capture
from nightturn.errors import ConfigError, TableError

Floats = npt.NDArray[np.float64]
FRICTION_NM, ZERO_NM, COGGING_NM, ORDER = 0.110, 0.024, 0.020, 36
RATE_HZ, RPM = 250, 10.0


def turning(
    ways: Sequence[int],
    turns: float,
    *,
    rate_hz: int = RATE_HZ,
    rpm: float = RPM,
    noise_nm: float = 0.004,
    held_nm: float = 0.0,
    drift_nm_per_s: float = 0.0,
    seed: int = 1,
    rest_s: float = 0.4,
) -> tuple[Floats, Floats, Floats]:
    """Time in s, angle in degrees and torque in N·m; the last pass is held."""  # fmt: skip
    rng = np.random.default_rng(seed)
    rest = np.zeros(int(rest_s * rate_hz))
    angle, sense, held = [rest], [rest], [rest]
    for at, way in enumerate(ways):
        n = int(turns * 60 / rpm * rate_hz)
        angle += [angle[-1][-1] + way * np.arange(1, n + 1) * (6.0 * rpm / rate_hz)]
        angle += [angle[-1][-1] + rest]
        sense += [np.full(n, float(way)), rest]
        held += [np.full(n, held_nm * (at == len(ways) - 1)), rest]
    degrees = np.concatenate(angle)
    time = np.arange(len(degrees)) / rate_hz
    torque = ZERO_NM + np.concatenate(held) - FRICTION_NM * np.concatenate(sense) + drift_nm_per_s * time
    torque = torque + COGGING_NM * np.sin(ORDER * np.radians(degrees)) + rng.normal(0.0, noise_nm, len(time))
    return time, degrees, torque


def written(
    path: Path,
    columns: Sequence[tuple[str, Floats]],
    *,
    delimiter: str = ";",
    decimal: str = ".",
    digits: int = 9,
    above: str = "",
) -> Path:
    """A file of these columns, each with its name."""
    rows = [delimiter.join(name for name, _ in columns)]
    texts = [
        [f"{value:.{digits}g}".replace(".", decimal) for value in values.tolist()] for _, values in columns
    ]
    rows += [delimiter.join(fields) for fields in zip(*texts, strict=True)]
    path.write_text(above + "\n".join(rows) + "\n", encoding="utf-8")
    return path


RATED_NM = 15.0


def read(
    path: Path, *, kept_max: int = 1_500_000, columns: dict[str, str] | None = None, **asked: Any
) -> Found:
    """What a file says to these options."""
    return capture(path, Asked(rated_nm=RATED_NM, columns=columns or {}, **asked), kept_max=kept_max)


def lines(found: Found) -> dict[str, Line]:
    """The figures by their names."""
    return {line.title: line for line in found.lines}


def within(line: Line, truth: float, times: float = 2.0) -> bool:
    """Whether a value is there and off by no more than so many half intervals."""
    assert line.value_nm is not None
    assert line.half_nm is not None
    return abs(line.value_nm - truth) <= times * line.half_nm


def read_error(path: Path, columns: dict[str, str] | None = None, **asked: Any) -> str:
    """What a file is refused with."""
    with pytest.raises((TableError, ConfigError)) as caught:
        read(path, columns=columns, **asked)
    return str(caught.value)
