"""A channel that repeats its last code for a part of a pass, and noise that looks like it."""

import re
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.signal import lfilter
from tests.estimation.synthetic import Bench, clean, cycles_of

from nightturn.estimation.channel import channel_findings
from nightturn.estimation.finish import finish_cycle

BENCH = Bench(rate_hz=600, noise_nm=0.004)
RECORDING = clean(BENCH).recorded(0)
LEGS = [leg.index_first for leg in cycles_of(RECORDING)[0].legs]
SLOW = ("cogging_pp_nm", "friction_nm", "friction_pct_rated", "zero_nm")


def stuck(start: int, samples: int) -> Any:
    """What a converter does that repeats its last code for so many samples."""

    def change(raw: npt.NDArray[np.int32]) -> npt.NDArray[np.int32]:
        out = raw.copy()
        out[start : start + samples] = raw[start]
        return out

    return change


@pytest.mark.parametrize(
    ("leg", "samples", "doubtful", "good"),
    [
        (0, 200, SLOW, ("ripple_pp_nm",)),
        (1, 3000, SLOW, ("ripple_pp_nm",)),  # half a turn of a backward pass, through the zero of the angle
        (2, 9000, SLOW, ("ripple_pp_nm",)),
        (3, 200, ("ripple_pp_nm", "ripple_rms_nm", "mean_torque_nm"), SLOW),
    ],
)
def test_a_channel_that_is_stuck_for_a_part_of_a_pass_is_not_judged(
    leg: int, samples: int, doubtful: tuple[str, ...], good: tuple[str, ...]
) -> None:
    raw = stuck(LEGS[leg] + 1000, samples)(RECORDING.raw)
    found = finish_cycle(cycles_of(replace(RECORDING, raw=raw))[0], BENCH.conditions(), 0, 0, 0, 0)
    for name in doubtful:
        assert found.figure(name).status == "not judged", name
        (reason,) = (each for each in found.figure(name).reasons if "at one code" in each)
        words = re.fullmatch(
            r"Torque is at one code, (\S+ m?N·m), over (\S+) degrees of a pass and (\d+) samples, and moves elsewhere: the "
            r"channel was stuck or held its last value\. Check cable and converter\.",
            reason,
        )
        assert words is not None, reason
        assert samples - 4 <= int(words[3]) <= samples
        assert float(words[2]) == pytest.approx(samples * 0.06, abs=0.3)  # 6000 samples a turn
    assert {found.figure(name).status for name in good} == {"ok"}
    assert found.verdict != "accept"


@pytest.mark.parametrize("noise_codes", [0.45, 0.6, 1.0, 3.0])
@pytest.mark.parametrize("kept", [0.0, 0.9])
def test_noise_that_stays_at_a_code_for_a_while_is_not_called_stuck(noise_codes: float, kept: float) -> None:
    """White noise of few codes, and the same behind a filter that keeps 0.9 of the sample before."""
    lsb = 0.001
    bench = replace(BENCH, lsb_nm=lsb, cogging={288: 0.3}, ripple={96: 0.3}, noise_nm=0.0)
    clear = clean(bench)
    white = np.random.default_rng(3).standard_normal(len(clear.torque_nm))
    slow = lfilter([(1 - kept**2) ** 0.5], [1, -kept], white)
    noisy = replace(clear, torque_nm=clear.torque_nm + noise_codes * lsb * slow)
    for leg in cycles_of(noisy.recorded(0))[0].legs:
        assert not any("at one code" in text for text, _ in channel_findings([leg], bench.conditions()))
