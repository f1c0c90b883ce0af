"""What a bring-up at rest found in each state, which lines of bench.toml follow, and what it could not see."""

from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np

from nightturn.errors import NightturnError
from nightturn.estimation.at_rest import HARMONICS_MAX, AtRest, at_rest
from nightturn.model.quantities import fixed, interval, quantity, typed
from nightturn.model.rest_states import UNCOUPLED, Looked
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.reader import Run

MAINS_HZ = (50, 60)
PWM_HARMONICS = 3
VOLT_DIGITS = 6
NOT_SEEN = (
    "signs of torque and angle, sense of the drive, index mark, pick-up at the pole pairs and resonance show only while the shaft turns: "
    "not looked at, nothing turned; `nightturn bringup … --moves` looks at the senses"
)
NO_ZERO = "coupled and at rest it holds any torque up to breakaway and cogging: this is no zero, and nothing is to be tared on it"


@dataclass(frozen=True, slots=True)
class Stated:
    """A state and what the channel was like in it."""

    state: str
    found: AtRest


@dataclass(frozen=True, slots=True)
class Proposal:
    """A line of bench.toml, in which table, and why."""

    table: str
    line: str
    why: str


def known_frequencies(settings: FixtureSettings, pwm_hz: float | None) -> tuple[tuple[str, float], ...]:
    """What may pick up, by name: harmonics of both mains, and of the drive's switching where that is known."""
    named = [
        (f"{mains} Hz mains, {number}×", float(mains * number))
        for mains in sorted(MAINS_HZ, key=lambda each: each != settings.mains_hz)
        for number in range(1, HARMONICS_MAX + 1)
    ]
    if pwm_hz is not None:
        named += [(f"alias of the PWM, {n}×", n * pwm_hz) for n in range(1, PWM_HARMONICS + 1)]
    return tuple(named)


def states_of(
    run: Run, looked: Sequence[Looked], settings: FixtureSettings, pwm_hz: float | None
) -> tuple[Stated, ...]:
    """Read each stretch and work it out; a stretch with a gap is used up to that.

    Raises:
        NightturnError: a stretch has no samples.
    """
    found = []
    for each in looked:
        frame = run.samples(each.start_ns, each.stop_ns, ["torque_nm", "angle_rad", "index"])
        if not len(frame):
            raise NightturnError(f"no sample came while the rig was {each.state.name}")
        holes = np.flatnonzero(np.diff(frame["index"].to_numpy()) != 1)
        whole = frame.iloc[: int(holes[0]) + 1 if len(holes) else len(frame)]
        torque, angle = (whole[name].to_numpy(np.float64) for name in ("torque_nm", "angle_rad"))
        known = known_frequencies(settings, pwm_hz)
        found.append(Stated(each.state.name, at_rest(torque, angle, settings.rate_hz, known)))
    return tuple(found)


def proposals(states: Sequence[Stated], settings: FixtureSettings) -> tuple[Proposal, ...]:
    """Which lines of the rig file follow from what was found; none where nothing does."""
    found: list[Proposal] = []
    transducer = settings.transducer
    for each in states:
        use = not each.found.trouble
        if use and each.state == UNCOUPLED.name and transducer.factor_nm_per_v is not None:
            volts = each.found.mean_nm / (transducer.factor_nm_per_v * transducer.polarity)
            zero_v = round(transducer.zero_v + volts, VOLT_DIGITS)
            mean = interval(each.found.mean_nm, each.found.half_nm, "N·m")
            if abs(each.found.mean_nm) > each.found.half_nm and zero_v != transducer.zero_v:
                why = f"uncoupled it reads {mean} and should read 0"
                found.append(
                    Proposal(f"[fixture.transducer] of {settings.id}", f"zero_v = {typed(zero_v)}", why)
                )
    other = next(mains for mains in MAINS_HZ if mains != settings.mains_hz)
    seen = {mains: _strongest(states, mains) for mains in MAINS_HZ}
    if seen[other] > 2 * seen[settings.mains_hz]:
        why = f"a line of {quantity(seen[other], 'N·m')} is at {other} Hz, {quantity(seen[settings.mains_hz], 'N·m')} at {settings.mains_hz} Hz"
        found.append(Proposal(f"[[fixture]] {settings.id}", f"mains_hz = {other}", why))
    return tuple(found)


def _strongest(states: Sequence[Stated], mains: int) -> float:
    """The strongest line at the mains' own frequency, N·m; 0 where there is none."""
    name = f"{mains} Hz mains, 1×"
    lines = (line for each in states if not each.found.trouble for line in each.found.lines)
    return max((line.amplitude_nm for line in lines if name in line.name), default=0.0)


def said_of(each: Stated) -> tuple[str, ...]:
    """A state in sentences."""
    found = each.found
    if found.trouble:
        return (f"{each.state}: not used, {found.trouble}",)
    noise = f"noise {quantity(found.noise_nm, 'N·m')} rms, {quantity(found.peak_nm, 'N·m')} from peak to peak"
    said = [f"{each.state}: reads {interval(found.mean_nm, found.half_nm, 'N·m')}; {noise}"]
    for line in found.lines:
        name = line.name or "nothing that was declared is there"
        said.append(
            f"  line at {fixed(line.hz, 2)} Hz: {interval(line.amplitude_nm, line.half_nm, 'N·m')} peak; {name}"
        )
    if not found.lines:
        said.append("  no line above the noise")
    if each.state != UNCOUPLED.name:
        said.append(f"  {NO_ZERO}")
    return tuple(said)


class BroughtUp(msgspec.Struct, frozen=True):
    """What is printed for machines."""

    run: str
    states: tuple[Stated, ...]
    proposals: tuple[Proposal, ...]
    not_seen: str = NOT_SEEN
