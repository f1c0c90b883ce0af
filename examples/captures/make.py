"""Writes the invented captures beside it: a pan actuator of a camera crane, made up, on a bench that is made up as well.

`python examples/captures/make.py` writes them again. Each file is in another dialect and shows another way to say the angle.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
FRICTION_NM, ZERO_NM = 0.110, 0.024
COGGING_NM = ((36, 0.018, 0.4), (32, 0.006, 0.0))
"""Order, amplitude and phase of what the magnets and the slots make."""
FACTOR_NM_PER_V, NM_PER_MV_PER_V = 4.0, 10.0
REST_S = 0.4


@dataclass(frozen=True, slots=True)
class Signal:
    """Time in s, angle in degrees, torque in N·m, each (n,)."""

    time_s: Floats
    angle_deg: Floats
    torque_nm: Floats


def signal(
    ways: tuple[int, ...],
    turns: float,
    *,
    rpm: float,
    rate_hz: int,
    noise_nm: float,
    held_nm: float = 0.0,
    seed: int = 1,
) -> Signal:
    """Steady turns one after the other with a rest between them; the last one is held if there is a torque."""
    rng = np.random.default_rng(seed)
    rest = np.zeros(int(REST_S * rate_hz))
    angle, sense, held = [rest], [rest], [rest]
    for at, way in enumerate(ways):
        n = int(turns * 60 / rpm * rate_hz)
        angle.append(angle[-1][-1] + way * np.arange(1, n + 1) * (6.0 * rpm / rate_hz))
        angle.append(angle[-1][-1] + rest)
        sense += [np.full(n, float(way)), rest]
        held += [np.full(n, held_nm if at == len(ways) - 1 else 0.0), rest]
    degrees = np.concatenate(angle)
    torque = ZERO_NM + np.concatenate(held) - FRICTION_NM * np.concatenate(sense)
    for order, size, phase in COGGING_NM:
        torque = torque + size * np.sin(order * np.radians(degrees) + phase)
    return Signal(
        np.arange(len(degrees)) / rate_hz, degrees, torque + rng.normal(0.0, noise_nm, len(degrees))
    )


def rows(*columns: list[str], delimiter: str) -> Iterator[str]:
    """A line for each row."""
    for fields in zip(*columns, strict=True):
        yield delimiter.join(fields)


def fixed(values: Floats, decimals: int, *, comma: bool = False) -> list[str]:
    """Numbers with so many decimals, with a decimal comma if wanted."""
    found = [f"{value + 0.0:.{decimals}f}" for value in np.round(values, decimals).tolist()]
    return [each.replace(".", ",") for each in found] if comma else found


def reversal() -> Iterator[str]:
    """Two turns forward and two back, in mV, with the angle in degrees and the units in a row of their own."""
    made = signal((1, -1), 2.1, rpm=10, rate_hz=250, noise_nm=0.004)
    yield from ("Crane pan actuator Q-0117, invented;", "Bench;basement", "", "Time;Bridge;Shaft", "s;mV;deg")
    millivolts = made.torque_nm / FACTOR_NM_PER_V * 1000
    yield from rows(fixed(made.time_s, 3), fixed(millivolts, 2), fixed(made.angle_deg, 2), delimiter=";")


def step() -> Iterator[str]:
    """A reversal on a scope: time and volts, commas, no angle."""
    made = signal((1, -1), 0.9, rpm=10, rate_hz=250, noise_nm=0.004, seed=2)
    yield from (
        "Model,invented scope",
        "Sample interval,4.0e-03",
        "Record length,2900",
        "TIME,CH1",
        "(s),(V)",
    )
    yield from rows(fixed(made.time_s, 4), fixed(made.torque_nm / FACTOR_NM_PER_V, 5), delimiter=",")


def hold() -> Iterator[str]:
    """Forward, back, forward, and a hold of 5 N·m: tabs, decimal commas, N·m, and a counter that begins again every turn."""
    made = signal((1, -1, 1, -1), 2.1, rpm=12, rate_hz=200, noise_nm=0.004, held_nm=5.0, seed=3)
    counts = np.rint(made.angle_deg / 360.0 * 4096.0) % 4096
    yield "t [ms]\tenc [counts]\tM [Nm]"
    yield from rows(
        fixed(made.time_s * 1000, 0), fixed(counts, 0), fixed(made.torque_nm, 4, comma=True), delimiter="\t"
    )


def index() -> Iterator[str]:
    """Three turns one way with a pulse once a turn, blanks between the columns, torque in mV/V."""
    made = signal((1,), 3.6, rpm=10, rate_hz=200, noise_nm=0.003, seed=4)
    pulse = np.where(np.mod(made.angle_deg + 200.0, 360.0) < 4.0, 5.0, 0.0)
    yield "# time_s  index_V  bridge_mV/V"
    yield from rows(
        fixed(made.time_s, 3), fixed(pulse, 0), fixed(made.torque_nm / NM_PER_MV_PER_V, 5), delimiter="  "
    )


def edges() -> Iterator[str]:
    """A sector of 100 degrees there and back by the tracks A and B of 90 lines."""
    made = signal((1, -1), 100 / 360, rpm=2, rate_hz=200, noise_nm=0.003, seed=5)
    phase = np.radians(made.angle_deg) * 90.0 + 0.3
    tracks = [np.where(each >= 0, 1.0, 0.0) for each in (np.sin(phase), -np.cos(phase))]
    yield '"time (s)","A","B","torque (mNm)"'
    yield from rows(
        fixed(made.time_s, 3),
        fixed(tracks[0], 0),
        fixed(tracks[1], 0),
        fixed(made.torque_nm * 1000, 1),
        delimiter=",",
    )


def resolver() -> Iterator[str]:
    """Two turns there and back by sine and cosine, decimal commas."""
    made = signal((1, -1), 2.1, rpm=15, rate_hz=200, noise_nm=0.004, seed=6)
    angle = np.radians(made.angle_deg)
    yield "Zeit / s;sin;cos;Drehmoment / mNm"
    yield from rows(
        fixed(made.time_s, 3, comma=True),
        fixed(2.5 + 1.9 * np.sin(angle), 3, comma=True),
        fixed(2.5 + 1.9 * np.cos(angle), 3, comma=True),
        fixed(made.torque_nm * 1000, 1, comma=True),
        delimiter=";",
    )


def speed() -> Iterator[str]:
    """Two turns and a half one way at 10 rpm, a column of volts and nothing else; the ripple is 10 mV peak to peak."""
    count = int(2.5 * 6.0 * 200)
    angle = math.tau * 10.0 / 60.0 * np.arange(count) / 200.0
    noise = np.random.default_rng(7).normal(0.0, 0.0005, count)
    yield "bridge_V"
    yield from fixed(0.0312 + 0.005 * np.sin(24 * angle) + noise, 5)


CAPTURES = {
    "reversal.csv": reversal, "step.csv": step, "hold.tsv": hold, "index.txt": index, "edges.csv": edges,
    "resolver.csv": resolver, "speed.csv": speed,
}  # fmt: skip

if __name__ == "__main__":
    for name, lines in CAPTURES.items():
        text = "\n".join(lines()) + "\n"
        (Path(__file__).parent / name).write_text(text, encoding="utf-8")
