"""The schedule of faults and its spec text."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.errors import ConfigError
from nightturn.virtual.faults import Fault, changes_of, parse_fault, parse_faults, parse_time

S = 10**9


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("spall@5h", Fault("spall", 5 * 3600 * S)),
        ("spall@1h30m*2.5", Fault("spall", 5400 * S, 0, 2.5)),
        ("cable@2h", Fault("cable", 7200 * S)),
        ("cable@2h+10m*3", Fault("cable", 7200 * S, 600 * S, 3.0)),
        ("outage@3h+20s", Fault("outage", 10_800 * S, 20 * S)),
        ("outage@3h", Fault("outage", 10_800 * S, 20 * S)),
        ("reset@1h", Fault("reset", 3600 * S)),
        ("crash@1h", Fault("crash", 3600 * S)),
        ("shunt@1h*1.02", Fault("shunt", 3600 * S, 0, 1.02)),
        ("guard@30m+60s", Fault("guard", 1800 * S, 60 * S)),
        ("reset@250ms", Fault("reset", S // 4)),
    ],
)
def test_a_fault_is_read_from_its_spec(text: str, fault: Fault) -> None:
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    "text",
    [
        "spal@5h",
        "spall",
        "spall@",
        "spall@5",
        "spall@5h+1s",
        "reset@1h*2",
        "crash@1h+1s",
        "shunt@1h+1s",
        "outage@3h+",
        "cable@2h*0",
        "cable@1h*x",
        "@1h",
    ],
)
def test_a_bad_spec_says_what_is_allowed(text: str) -> None:
    with pytest.raises(ConfigError) as caught:
        parse_fault(text)
    assert caught.value.allowed
    assert "virtual fault" in caught.value.where


@given(st.integers(0, 99), st.integers(0, 59), st.integers(0, 59))
def test_a_time_is_the_sum_of_its_parts(hours: int, minutes: int, seconds: int) -> None:
    assert parse_time(f"{hours}h{minutes}m{seconds}s") == (hours * 3600 + minutes * 60 + seconds) * S


def test_what_happens_is_ordered_by_time() -> None:
    changes = changes_of(parse_faults("guard@30m+60s,reset@10m,outage@29m+2m"))
    assert [(change.fault.kind, change.begins) for change in changes] == [
        ("reset", True),
        ("outage", True),
        ("guard", True),
        ("outage", False),
        ("guard", False),
    ]
