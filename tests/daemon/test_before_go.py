"""What a person reads before a `go`: facts as they are, times by the bench's clock, nothing left out for being unknown."""

import msgspec
import pytest
from tests.fixture.taped import opening
from tests.simulation.scene import CARD, settings_of

from nightturn.daemon.before_go import TOUCHED, before_go
from nightturn.fixture.state import FixtureState
from nightturn.model.facts import RunOpened
from nightturn.motion.interlocks import GUARD_CLOSED, STOP_CHAIN_HEALTHY
from nightturn.motion.permission import Cause, LockReason
from nightturn.settings.rig import Conditioning, Exercise, FixtureSettings, Park, Soak
from nightturn.storage.zones import offsets_of

SETTINGS = settings_of()
ONE_TURN = SETTINGS.encoder.counts_per_rev
TS = 1_795_640_400_000_000_000  # 2026-11-25 21:00:00 UTC


def shown(state: FixtureState, settings: FixtureSettings = SETTINGS) -> dict[str, str]:
    opened = msgspec.msgpack.decode(opening({}).body, type=RunOpened)
    opened = msgspec.structs.replace(opened, offsets=offsets_of("Europe/Berlin", TS), utc_offset_ns=TS)
    return dict(before_go(state, settings, CARD, opened))


def test_what_nobody_has_seen_is_said_to_be_unknown() -> None:
    found = shown(FixtureState())
    assert found["shaft"] in {
        "no sample of it yet",
        "travel unknown: the position of its shaft was never seen",
    }
    assert found["guard"] == "not seen yet, which counts as open"
    assert found["last permission"] == "none"
    assert found["unit"].startswith(f"{CARD.unit}, variant {CARD.variant}, mounted by {CARD.operator}")


@pytest.mark.parametrize(
    ("inputs", "guard", "chain"),
    [
        (GUARD_CLOSED | STOP_CHAIN_HEALTHY, "closed", "healthy"),
        (STOP_CHAIN_HEALTHY, "open", "healthy"),
        (GUARD_CLOSED, "closed", "open"),
    ],
)
def test_guard_and_stop_chain_are_as_the_input_word_has_them(inputs: int, guard: str, chain: str) -> None:
    state = FixtureState()
    state.watch.latch(inputs, 100, intervening=False)
    found = shown(state)
    assert (found["guard"], found["stop chain"]) == (guard, chain)


def test_a_guard_that_is_not_wired_is_not_called_closed() -> None:
    state = FixtureState()
    state.watch.latch(GUARD_CLOSED, 100, intervening=False)
    assert shown(state, msgspec.structs.replace(SETTINGS, guard="none"))["guard"].startswith("not wired")


def test_what_a_go_clears_has_its_time_and_a_touched_rig_is_named() -> None:
    state = FixtureState()
    state.motion.permission.reasons.append(LockReason(Cause.INTERVENTION, "the guard was opened", TS))
    found = shown(state)
    assert found["clears"] == "the guard was opened (since 2026-11-25 22:00:00 +01:00)"
    assert found["note"] == TOUCHED


def test_the_shaft_stands_where_the_travel_counts_it() -> None:
    state = FixtureState()
    state.motion.planner.travel_zero = 1000
    state.watch.first(1000, 0, 0, 1)
    state.watch.block(1000 + ONE_TURN * 5 // 4, 1, 1000, 1000, 0, 10)
    assert shown(state)["shaft"] == "at +450.0° of its travel"


def test_who_gives_permission_reads_all_that_will_turn() -> None:
    plan = msgspec.structs.replace(
        SETTINGS.plan,
        exercise=Exercise(strokes=50, torque_nm=4.0),
        warm_up=Conditioning(hours=0.5, speed_rpm=9.0),
        soak=Soak(hours=2.0, speed_rpm=6.0, angle_deg=360.0),
        park=Park(every_cycles=10, angle_deg=90.0),
        cycles=40,
    )
    found = shown(FixtureState(), settings_of(plan=plan))["will turn"]
    assert found.partition("50 strokes ")[2] == (
        "of 270° at 12 rpm holding 4 N·m; warm-up of 0.5 h, strokes of 270° at 9 rpm; soak of 2 h, strokes of 360° at 6 rpm; "
        "to 90° behind every 10 cycles, and waits there; up to 40 cycles"
    )
