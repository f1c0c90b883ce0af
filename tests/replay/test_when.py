"""A time as a person types it, by the clocks of the bench, also in nights whose clocks change."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.errors import ConfigError, StorageError
from nightturn.model.clocks import NS_PER_S
from nightturn.replay.when import moment_of

VIENNA = "Europe/Vienna"
HOUR = 3600 * NS_PER_S


def ns(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * NS_PER_S


NIGHT = ns("2026-11-25T20:30:00"), ns("2026-11-26T05:30:00")


def at(text: str, span: tuple[int, int] = NIGHT, zone: str = VIENNA) -> int:
    return moment_of(text, span, zone, "--at")


def test_a_time_of_day_is_by_the_clocks_of_the_bench_on_whichever_date_the_run_had_it() -> None:
    assert at("03:12") == ns("2026-11-26T02:12:00")
    assert at("23:59:59") == ns("2026-11-25T22:59:59")
    assert at("03:12", zone="UTC") == ns("2026-11-26T03:12:00")


def test_a_date_with_a_time_and_one_with_an_offset() -> None:
    assert at("2026-11-26T03:12") == ns("2026-11-26T02:12:00")
    assert at("2026-11-26T03:12:00Z") == ns("2026-11-26T03:12:00")


@pytest.mark.parametrize("text", ["12:00", "2026-11-20T03:12"])
def test_a_time_outside_the_run_names_the_span(text: str) -> None:
    with pytest.raises(
        ConfigError, match=f"{text} lies outside the run, which lasted from 2026-11-25 21:30:00"
    ):
        at(text)


@pytest.mark.parametrize("text", ["25:00", "03:75", "noon", "3", ""])
def test_what_is_no_time_says_what_is_one(text: str) -> None:
    with pytest.raises(ConfigError, match=r"no time.*03:12, or a date with it"):
        at(text)


def test_a_time_that_a_long_run_saw_on_two_dates_is_asked_back() -> None:
    with pytest.raises(
        ConfigError,
        match=r"the run saw 03:12 2 times; allowed: one of 2026-11-26 03:12:00 \+01:00, 2026-11-27",
    ):
        at("03:12", (NIGHT[0], NIGHT[1] + 24 * HOUR))


def test_where_the_clocks_went_back_an_hour_came_twice() -> None:
    """The clocks of the European Union go back at 01:00 UTC on the last Sunday of October (Directive 2000/84/EC, article 3)."""
    night = ns("2026-10-24T20:00:00"), ns("2026-10-25T05:00:00")
    with pytest.raises(ConfigError, match=r"2026-10-25 02:30:00 \+02:00, 2026-10-25 02:30:00 \+01:00"):
        at("02:30", night)
    assert at("2026-10-25T02:30+01:00", night) == ns("2026-10-25T01:30:00")
    with pytest.raises(StorageError, match="occurs twice"):
        at("2026-10-25T02:30", night)


def test_where_they_went_forward_the_hour_was_never_shown() -> None:
    night = ns("2026-03-28T20:00:00"), ns("2026-03-29T05:00:00")
    with pytest.raises(ConfigError, match="02:30 lies outside the run"):
        at("02:30", night)


@given(
    minutes=st.integers(0, 9 * 60 - 1),
    zone=st.sampled_from([VIENNA, "UTC", "Asia/Kolkata", "America/St_Johns"]),
)
def test_every_minute_of_a_night_is_found_again_by_what_the_clock_showed(minutes: int, zone: str) -> None:
    from zoneinfo import ZoneInfo

    moment = NIGHT[0] + minutes * 60 * NS_PER_S
    shown = datetime.fromtimestamp(moment // NS_PER_S, ZoneInfo(zone))
    assert at(f"{shown.hour}:{shown.minute:02d}", zone=zone) == moment
