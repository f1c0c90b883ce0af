"""The first moves: whatever is seen, answered and in whichever order, no command goes beyond their bounds."""

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.fixture.stations import STATION
from tests.motion.test_planner import TICK_HZ, S, view

from nightturn.model.cards import MountCard
from nightturn.model.tasks import FirstMovesTask
from nightturn.motion.first_moves import (
    ASTRAY_DEG,
    MOVE_DEG,
    astray,
    first_move,
    name_of,
    sentence,
    steer,
)
from nightturn.motion.interlocks import Obstacle
from nightturn.motion.permission import Cause
from nightturn.motion.planner import Halt, Planner
from nightturn.settings.rig import FixtureSettings, Limit, Travel
from nightturn.settings.tasks import FIRST_MOVES, under_task
from nightturn.settings.validate import RAW_LIMIT
from nightturn_protocol import messages as wire

RATED_NM, DEG_MAX = 15.0, 10.0
CARD = MountCard(
    unit="Q-0117",
    variant="pan15",
    operator="R. Vale",
    mounted_utc="2026-05-04T18:00:00Z",
    task=FirstMovesTask(rated_torque_nm=RATED_NM),
)
LOST = Obstacle(Cause.LOST, "no samples arrive")


def rig(
    counts: int, sense: int, ramp: float, travel: tuple[float, float], limit: Limit | None
) -> FixtureSettings:
    encoder = msgspec.structs.replace(STATION.encoder, counts_per_rev=counts, sense=sense)
    protect = {} if limit is None else {RAW_LIMIT: limit}
    changed = msgspec.structs.replace(
        STATION,
        encoder=encoder,
        ramp_rad_per_s2=ramp,
        travel=Travel(range_deg=travel),
        protect=protect,
        after_restart="resume",
    )
    return under_task(changed, CARD)


rigs = st.builds(
    rig,
    st.integers(1000, 2**26),
    st.sampled_from([1, -1]),
    st.floats(1e-3, 1e3),
    st.tuples(st.floats(-3000, 0), st.floats(0, 3000)),
    st.none() | st.builds(Limit, max=st.floats(0.01, 100.0), on_exceed=st.sampled_from(["stop", "warn"])),
)
events = st.tuples(
    st.sampled_from(["tick", "tick", "arrived", "accepted", "refused", "unanswered", "go", "stop"]),
    st.floats(-400.0, 400.0),  # where the shaft is seen, degrees
    st.booleans(),
    st.booleans(),
    st.sampled_from([None, None, None, LOST]),
    st.sampled_from([0.1, 1.0, 8.0, 40.0]),
)


def within(drive: wire.Drive, settings: FixtureSettings) -> None:
    """A command that turns something is inside the bounds of a first move."""
    if drive.mode == wire.DriveMode.OFF:
        return
    assert (drive.axis, drive.mode) == (wire.Axis.DRIVE, wire.DriveMode.TRAVEL)
    assert abs(drive.travel_counts) / settings.encoder.counts_per_rev * 360 <= DEG_MAX - 2 * ASTRAY_DEG
    rad_per_s_max = 1.0 * math.tau / 60
    assert 0 < abs(drive.setpoint) <= drive.speed_limit <= rad_per_s_max
    assert drive.ramp >= 0.2


@given(settings=rigs, order=st.lists(events, max_size=40))
def test_no_answer_no_sign_and_no_order_of_events_commands_more_than_one_small_slow_move_for_each_go(
    settings: FixtureSettings, order: list[tuple[str, float, bool, bool, Obstacle | None, float]]
) -> None:
    planner, at_ns, seq, begun, travels = Planner(), 100 * S, 0, 0, 0
    for what, seen_deg, live, ready, obstacle, after_s in order:
        at_ns += round(after_s * S)
        sent: list[wire.Message] | Halt = []
        position = round(seen_deg / 360 * settings.encoder.counts_per_rev)
        if what in {"go", "stop"}:
            sent, begun, travels = planner.stop(), planner.cycles_done, 0
        elif what in {"tick", "arrived"}:
            # most of the time it is where it should be, so that moves come about and end
            position = position if what == "tick" and abs(seen_deg) > 200 else planner.target
            seen = view(at_ns=at_ns, position=position, lease_live=live, drive_ready=ready, obstacle=obstacle)
            sent = steer(planner, seen, settings, begun)
        else:
            reply = wire.DriveReply(planner.command_no, wire.Reason.NONE, 1, 0)
            refused = wire.DriveReply(planner.command_no, wire.Reason.INTERLOCK, 0, 0)
            planner.replied(seq, {"accepted": reply, "refused": refused}.get(what))
        if isinstance(sent, Halt):
            sent, begun, travels = planner.stop(), planner.cycles_done, 0
        for message in sent:
            seq += 1
            planner.sent(seq)
            if isinstance(message, wire.Drive):
                within(message, settings)
                travels += message.mode == wire.DriveMode.TRAVEL
        assert travels <= 1
        assert planner.cycles_done <= FIRST_MOVES


@given(settings=rigs)
def test_whatever_the_rig_file_says_torque_speed_and_travel_are_bounded_and_nothing_goes_on_by_itself(
    settings: FixtureSettings,
) -> None:
    limit = settings.protect[RAW_LIMIT]
    assert limit.max <= 0.05 * RATED_NM
    assert limit.on_exceed == "stop"
    assert settings.after_restart == "stay"
    assert settings.plan.torque_nm_max == 0
    assert settings.plan.conditioning == {}
    assert settings.plan.park is None
    assert max(map(abs, settings.travel.range_deg)) + 0.5 <= DEG_MAX
    (move,) = first_move(settings, 0)
    stops_deg = math.degrees(move.speed_rad_per_s**2 / (2 * move.ramp_rad_per_s2))
    # a control tick and samples of a quarter of a second behind the shaft, and the ramp at the end
    unseen_deg = math.degrees(move.speed_rad_per_s) * (0.1 + 0.25)
    assert MOVE_DEG + ASTRAY_DEG + unseen_deg + stops_deg < DEG_MAX


@pytest.mark.parametrize("sense", [1, -1])
def test_out_is_the_declared_positive_sense_and_back_the_other(sense: int) -> None:
    settings = rig(36_000, sense, 2.0, (-2400.0, 2400.0), None)
    out, back = first_move(settings, 0)[0], first_move(settings, 1)[0]
    assert (out.travel_counts, back.travel_counts) == (600 * sense, -600 * sense)
    assert first_move(settings, FIRST_MOVES) == ()
    assert name_of(FIRST_MOVES) == ""
    assert "all first moves are done" in sentence(FIRST_MOVES)


@pytest.mark.parametrize(
    ("deg", "words"), [(-1.5, "wrong sense"), (-0.5, ""), (3.0, ""), (6.9, ""), (7.2, "runaway")]
)
@pytest.mark.parametrize("sense", [1, -1])
def test_a_shaft_astray_is_seen_within_a_degree_by_either_sense(deg: float, words: str, sense: int) -> None:
    settings = rig(36_000, sense, 2.0, (-2400.0, 2400.0), None)
    planner = Planner()
    armed = view(position=0)
    planner.steer(armed, settings, returns=False)
    planner.sent(1)
    planner.replied(1, wire.Done(request=wire.Clear.KIND, detail=0))
    sent = steer(planner, view(position=0, lease_live=True, at_ns=101 * S), settings, 0)
    assert isinstance(sent, list)
    (drive,) = sent
    assert isinstance(drive, wire.Drive)
    assert drive.not_after_tick == 101 * TICK_HZ
    assert astray(planner, round(deg * 100) * sense, 36_000).startswith(words)
    assert bool(astray(planner, round(deg * 100) * sense, 36_000)) == bool(words)


def test_a_shaft_that_stands_elsewhere_by_its_travel_is_not_turned_there() -> None:
    settings = rig(36_000, 1, 2.0, (-2400.0, 2400.0), None)
    planner = Planner(travel_zero=-30_000)
    steer(planner, view(position=0), settings, 0)
    planner.sent(1)
    planner.replied(1, wire.Done(request=wire.Clear.KIND, detail=0))
    halt = steer(planner, view(position=0, lease_live=True, at_ns=101 * S), settings, 0)
    assert isinstance(halt, Halt)
    assert "outside the travel" in halt.text


def test_what_else_the_rig_file_protects_stays_protected() -> None:
    hot = Limit(max=60.0)
    asked = msgspec.structs.replace(
        STATION, protect={"bearing_degc": hot, RAW_LIMIT: Limit(max=18.0, on_exceed="warn")}
    )
    assert under_task(asked, CARD).protect == {
        "bearing_degc": hot,
        RAW_LIMIT: Limit(max=0.05 * RATED_NM),
    }
