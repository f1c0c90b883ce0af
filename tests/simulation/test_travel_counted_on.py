"""The travel from one run to the next, and over a new boot of the device: counted on, or unknown since when and why."""

import asyncio
import re
from pathlib import Path

import msgspec
import pytest
from tests.simulation.permission_scene import inputs_known, killed
from tests.simulation.scene import CARD, Scene, open_scene, run, settings_of

from nightturn.bench.recovery import recover
from nightturn.bench.worlds import RealClock
from nightturn.daemon.newer_card import used_up
from nightturn.fixture.owners.motion import TravelPhase
from nightturn.fixture.travel import travel_of
from nightturn.model.cards import MountCard
from nightturn.model.facts import Travel
from nightturn.settings.rig import Encoder
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import newest_run, read_manifest

TURNS = settings_of(port="virtual:pan15?seed=7&turns=64")
INDEXED = settings_of(encoder=Encoder(counts_per_rev=2**20, reference="index"))
TRAVEL_UNKNOWN = r"travel unknown since 2026-05-04 20:00:\d\d \+02:00 \("
NEXT_CARD = msgspec.structs.replace(
    CARD, unit="Q-0121", mounted_utc="2026-05-04T20:00:00Z", travel_zero_confirmed=False
)


async def ended(scene: Scene) -> Travel:
    """Turned for a while, then stopped; the travel as its manifest keeps it."""
    await scene.until(lambda: scene.moving)
    await asyncio.sleep(1.2)  # amid the first turn, so that its end is not its zero
    scene.station.command("stop", "R. Vale")
    await scene.until(scene.station.ended.is_set, 30)
    await scene.station.close()
    files = RealFiles(scene.root)
    travel = read_manifest(files, "pan-a1", newest_run(files, "pan-a1")).travel
    assert travel is not None
    assert travel == travel_of(scene.station.core.state)
    assert travel.zero is not None
    assert travel.seen is not None
    assert travel.seen.position == scene.station.core.state.watch.position
    assert abs(travel.seen.position - travel.zero) > 2**20 // 10
    return travel


def used_card(root: Path) -> MountCard | None:
    """By which card a new start of the daemon opens no run."""
    files = RealFiles(root)
    return used_up(recover(files, Journal(files, "pan-a1", RealClock()), "pan-a1").beginning.used_card)


@pytest.mark.parametrize("settings", [settings_of(), INDEXED], ids=["absolute", "index"])
def test_in_the_same_boot_the_next_run_counts_on_whatever_the_encoder_is(
    tmp_path: Path, settings: object
) -> None:
    async def act() -> None:
        first = open_scene(tmp_path, settings=settings)  # type: ignore[arg-type]  # parametrized
        before = await ended(first)
        second = open_scene(tmp_path, settings=settings, device=first.device, card=NEXT_CARD)  # type: ignore[arg-type]  # same
        await second.until(lambda: second.moving)
        planner = second.station.core.state.motion.planner
        assert planner.travel_zero == before.zero
        assert second.station.core.state.motion.travel is not TravelPhase.UNKNOWN
        await second.station.close()

    run(act)


def test_a_card_that_confirms_the_zero_anew_counts_from_where_the_shaft_is_armed(tmp_path: Path) -> None:
    async def act() -> None:
        first = open_scene(tmp_path)
        before = await ended(first)
        card = msgspec.structs.replace(NEXT_CARD, travel_zero_confirmed=True)
        second = open_scene(tmp_path, device=first.device, card=card)
        await second.until(lambda: second.moving)
        assert second.station.core.state.motion.planner.travel_zero != before.zero
        await second.station.close()

    run(act)


def test_a_card_that_was_used_up_confirms_nothing_anew(tmp_path: Path) -> None:
    """The daemon opens no run under it; whatever else does takes no zero from it a second time."""

    async def act() -> None:
        first = open_scene(tmp_path)
        before = await ended(first)
        assert used_card(tmp_path) == CARD
        second = open_scene(tmp_path, device=first.device, card=CARD)
        await second.until(lambda: second.moving)
        assert second.station.core.state.motion.planner.travel_zero == before.zero
        await second.station.close()

    run(act)


def test_a_zero_that_was_confirmed_within_the_run_is_used_up_with_it(tmp_path: Path) -> None:
    async def act() -> None:
        first = open_scene(tmp_path)
        await first.until(lambda: first.moving)
        first.station.command("pause", "R. Vale")
        await first.until(lambda: first.motion == "paused")
        again = msgspec.structs.replace(CARD, mounted_utc="2026-05-04T19:00:00Z")
        first.station.command("confirm_travel_zero", "R. Vale", card=msgspec.json.encode(again).decode())
        (told,) = [event.detail for event in first.events if event.kind == "travel_zero"]
        assert "before, the shaft was at " in told
        first.go()
        before = await ended(first)
        assert used_card(tmp_path) == again
        second = open_scene(tmp_path, device=first.device, card=again)
        await second.until(lambda: second.moving)
        assert second.station.core.state.motion.planner.travel_zero == before.zero
        await second.station.close()

    run(act)


def test_over_a_new_boot_an_encoder_that_tells_the_turns_counts_on(tmp_path: Path) -> None:
    async def act() -> None:
        first = open_scene(tmp_path, settings=TURNS)
        before = await ended(first)
        first.device.reset()
        second = open_scene(tmp_path, settings=TURNS, device=first.device, card=NEXT_CARD)
        await second.until(lambda: second.count("travel_kept") == 1)
        await second.until(lambda: second.moving)
        assert second.station.core.state.motion.planner.travel_zero == before.zero
        await second.station.close()

    run(act)


@pytest.mark.parametrize("turns", [1, 11])
def test_over_a_new_boot_an_encoder_that_does_not_tell_the_turns_of_the_whole_travel_waits_for_a_person(
    tmp_path: Path, turns: int
) -> None:
    settings = settings_of(port=f"virtual:pan15?seed=7&turns={turns}")  # the travel is 4000°, 11.1 turns

    async def act() -> None:
        first = open_scene(tmp_path, settings=settings)
        await ended(first)
        first.device.reset()
        second = open_scene(
            tmp_path, settings=settings, device=first.device, card=NEXT_CARD, timezone="Europe/Berlin"
        )
        await second.until(lambda: second.count("travel_unknown") == 1)
        assert re.search(TRAVEL_UNKNOWN, second.station.waits_for)
        assert "the device restarted" in second.station.waits_for
        await second.guard_tried()
        second.go()
        assert "travel unknown since " in second.station.core.state.motion.permission.refusal
        await asyncio.sleep(20.0)
        assert not second.moving
        travel = travel_of(second.station.core.state)
        assert travel.zero is None
        assert travel.unknown.startswith("unknown since 2026-05-04 20:00:")
        second.guard(closed=False)  # what is locked has its time in every place that says what it waits for
        await second.until(lambda: "intervention" in " ".join(second.why_locked))
        locked = r"guard or stop chain opened \(since 2026-05-04 20:0\d:\d\d \+02:00\)"
        assert re.search(locked, second.station.waits_for)
        await second.station.close()

    run(act)


@pytest.mark.parametrize(("degrees", "kept"), [(29.0, True), (31.0, False), (-31.0, False), (360.0, False)])
def test_over_a_new_boot_a_shaft_that_was_turned_meanwhile_waits_for_a_person(
    tmp_path: Path, degrees: float, kept: bool
) -> None:
    async def act() -> None:
        first = open_scene(tmp_path, settings=TURNS)
        await ended(first)
        first.device.reset()
        second = open_scene(tmp_path, settings=TURNS, device=first.device, card=NEXT_CARD, go=False)
        state = second.station.core.state
        seen = state.motion.seen
        assert seen is not None
        assert seen.position is not None
        counts = round(degrees / 360 * 2**20)
        state.motion.remember(msgspec.structs.replace(seen, position=seen.position + counts))
        await second.until(lambda: inputs_known(second))
        await asyncio.sleep(1.0)
        assert (second.count("travel_kept"), second.count("travel_unknown")) == (kept, not kept)
        assert ("from where it was last seen" in second.station.waits_for) != kept
        await second.station.close()

    run(act)


def test_a_kill_and_a_new_boot_in_between_are_seen_by_the_first_sample(tmp_path: Path) -> None:
    async def act() -> None:
        first = open_scene(tmp_path, settings=TURNS)
        await first.until(lambda: first.moving)
        await asyncio.sleep(6.0)
        killed(first)
        first.device.reset()
        await asyncio.sleep(3.0)
        second = open_scene(tmp_path, settings=TURNS, device=first.device, go=False)
        seen = second.station.core.state.motion.seen
        assert seen is not None
        assert seen.position is not None
        await second.until(lambda: second.count("travel_kept") + second.count("travel_unknown") == 1)
        await second.station.close()

    run(act)
