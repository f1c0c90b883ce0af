"""Which rate a test asks for: what fits the line, or what was wanted."""

import json

import pytest
from tests.acquisition.fake_device import SHEET

from nightturn.errors import ConfigError
from nightturn.linktest.stream_choice import Wanted, load_pct, samples_per_block, stream_for
from nightturn_protocol.messages import WIRE_LOAD_PCT_MAX, Stream
from nightturn_protocol.sheet import DeviceSheet, parse_sheet

RATES = [50, 100, 300, 500, 1000, 10_000, 50_000]


def sheet(rates: list[int] | None = None) -> DeviceSheet:
    return parse_sheet(json.dumps({**SHEET, "rates_hz": rates or RATES}).encode())


def asked(rate: int | None = None, baud: int = 921_600, *, declared: bool = False) -> Wanted:
    return Wanted(10.0, rate, baud, declared=declared)


@pytest.mark.parametrize(
    ("baud", "rate"), [(921_600, 10_000), (115_200, 1000), (57_600, 500), (19_200, 100), (12_000_000, 50_000)]
)
def test_without_a_wish_it_is_the_highest_rate_that_fits(baud: int, rate: int) -> None:
    chosen = stream_for(sheet(), asked(baud=baud))
    assert chosen.rate_millihz == rate * 1000
    assert chosen.stream == Stream.PATTERN
    assert load_pct(rate, baud) <= WIRE_LOAD_PCT_MAX


def test_a_block_never_spans_more_than_100_ms() -> None:
    assert [samples_per_block(rate) for rate in (100, 500, 1000, 50_000)] == [10, 50, 100, 100]


def test_a_rate_that_was_asked_for_goes_before_the_guess_at_the_line() -> None:
    assert stream_for(sheet(), asked(50_000)).rate_millihz == 50_000_000


def test_a_rate_beyond_a_declared_line_is_refused() -> None:
    with pytest.raises(
        ConfigError, match=r"10000 Hz fill 478 % of a line of 115200 baud; allowed: at most 70 %"
    ):
        stream_for(sheet(), asked(10_000, 115_200, declared=True))


@pytest.mark.parametrize("rate", [50, 300, 2000])
def test_a_rate_that_cannot_be_used_is_refused_with_those_that_can(rate: int) -> None:
    with pytest.raises(ConfigError, match=r"allowed: 100, 500, 1000, 10000, 50000"):
        stream_for(sheet(), asked(rate))


def test_a_line_too_slow_for_every_rate_is_told() -> None:
    with pytest.raises(
        ConfigError, match=r"--baud: no rate of the device's sheet fits into 70 % of a line of 1200 baud"
    ):
        stream_for(sheet(), asked(baud=1200))


def test_a_sheet_without_a_usable_rate_says_what_one_is() -> None:
    with pytest.raises(ConfigError, match="none: rates from 100 on that divide tick_hz = 1000000"):
        stream_for(sheet([50, 300]), asked())
