"""A host that starts again with an edited rig file: what was recorded keeps its meaning, and nothing turns by itself."""

import asyncio
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.bench.test_reading_back import calibrate
from tests.bench.test_recovery import RESUME, killed, play
from tests.simulation.scene import CARD, Scene, checked, open_scene, run, settings_of
from tests.simulation.tapes import records_of

from nightturn.bench import take_up
from nightturn.bench.recovery import recover
from nightturn.bench.worlds import RealClock
from nightturn.errors import StorageError
from nightturn.fixture.core import Fixture
from nightturn.model import facts
from nightturn.settings.rig import FixtureSettings, Transducer
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import manifests
from nightturn.storage.runs import open_run

TURNED = msgspec.structs.replace(RESUME, encoder=msgspec.structs.replace(RESUME.encoder, sense=-1))
FACTOR = msgspec.structs.replace(RESUME, transducer=Transducer(serial="TR-204", factor_nm_per_v=8.0))
RATE = msgspec.structs.replace(RESUME, rate_hz=2000)
SENSE = "settings that give the numbers their meaning were changed: encoder.sense: 1 -> -1"


@pytest.mark.parametrize(
    ("settings", "key"),
    [
        (TURNED, "encoder.sense: 1 -> -1"),
        (FACTOR, "transducer.factor_nm_per_v: 4.0 -> 8.0"),
        (RATE, "rate_hz: 1000 -> 2000"),
    ],
    ids=["sense", "factor", "rate"],
)
@pytest.mark.parametrize("end", [killed, None], ids=["killed", "closed"])
def test_what_gives_numbers_their_meaning_ends_the_run_and_the_next_one_says_why_and_stands(
    tmp_path: Path, end: None, settings: FixtureSettings, key: str
) -> None:
    first = play(tmp_path, end, 20.0, settings=RESUME).station.core.state.run.opened
    assert first is not None
    play(tmp_path, killed, 0.0, settings=RESUME)  # whatever is unsealed is sealed, so that it can be read
    before = open_run(tmp_path).samples()
    second = play(tmp_path, None, 30.0, settings=settings, seed=2)
    state = second.station.core.state
    assert state.run.opened is not None
    ended = second.ended_before
    assert ended is not None  # for whoever watches; no station was there to say it
    assert (ended.run, ended.by, key in ended.reason) == (first.run, facts.BY_SETTINGS, True)
    assert state.run.opened.run != first.run
    assert not state.run.opened.resumed
    (event,) = [event for event in second.events if event.kind == "settings_changed"]
    assert key in event.detail
    assert first.run in event.detail
    assert second.count("motion_resumed") == 0
    assert state.counts.samples > 20_000
    frame = open_run(tmp_path, run=state.run.opened.run).samples(columns=["encoder"])
    assert np.ptp(frame["encoder"]) < 2**20 / 360  # less than a degree
    old, new = sorted(manifests(RealFiles(tmp_path)), key=lambda each: each.run != first.run)
    assert (old.state, old.ended_by, new.state) == ("ended", facts.BY_SETTINGS, "running")
    assert key in old.reason
    assert msgspec.json.decode(old.rig, type=FixtureSettings) == RESUME
    events = open_run(tmp_path, run=first.run).events()
    assert list(events[events["kind"] == "run_ended"]["detail"]) == [f"{old.reason} (by settings)"]
    assert open_run(tmp_path, run=first.run).samples().equals(before)
    assert len(checked(tmp_path)) == 2


def test_the_run_that_follows_stands_until_a_person_has_seen_to_it_also_over_more_restarts(
    tmp_path: Path,
) -> None:
    play(tmp_path, killed, 10.0, settings=RESUME)
    play(tmp_path, killed, 10.0, settings=TURNED, seed=2)
    third = play(tmp_path, killed, 20.0, settings=TURNED, seed=3)
    assert third.station.core.state.run.opened is not None
    assert third.station.core.state.run.opened.resumed
    assert third.count("settings_changed") == 0  # told once
    assert not third.moving

    async def act() -> None:
        scene = open_scene(tmp_path, settings=TURNED, seed=4)
        await asyncio.sleep(5.0)
        assert not scene.moving
        scene.station.command("confirm_travel_zero", "R. Vale")
        await asyncio.sleep(20.0)
        assert not scene.moving
        scene.go()
        await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)


def test_a_host_that_dies_between_the_end_of_one_run_and_the_next_finds_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    play(tmp_path, killed, 10.0, settings=RESUME)

    def dies(*_: object) -> None:
        raise StorageError("power is gone")

    with monkeypatch.context() as patched:
        patched.setattr(take_up, "recover", dies)
        with pytest.raises(StorageError, match="power is gone"):
            play(tmp_path, killed, 10.0, settings=TURNED, seed=2)
    after = play(tmp_path, None, 20.0, settings=TURNED, seed=3)
    (event,) = [event for event in after.events if event.kind == "settings_changed"]
    assert SENSE in event.detail
    assert after.count("motion_resumed") == 0
    assert sorted(each.ended_by for each in manifests(RealFiles(tmp_path))) == ["", facts.BY_SETTINGS]
    checked(tmp_path)


def test_another_unit_or_certificate_while_the_host_was_down_ends_the_run(tmp_path: Path) -> None:
    play(tmp_path, killed, 5.0, settings=RESUME)
    play(tmp_path, killed, 5.0, settings=RESUME, seed=2, card=msgspec.structs.replace(CARD, unit="Q-0121"))
    calibrate(tmp_path, "TR-204/1", 4.4, 0.01)
    play(tmp_path, None, 5.0, settings=RESUME, seed=3, card=msgspec.structs.replace(CARD, unit="Q-0121"))
    reasons = {each.ended_by: each.reason for each in manifests(RealFiles(tmp_path))}
    assert set(reasons) == {"", facts.BY_CARD, facts.BY_SETTINGS}
    assert '-> "TR-204/1"; calibration.factor_nm_per_v: 4.0 -> 4.4' in reasons[facts.BY_SETTINGS]
    assert reasons[facts.BY_CARD] == 'a newer mount card was written: card.unit: "Q-0117" -> "Q-0121"'
    checked(tmp_path)


@pytest.mark.parametrize(
    ("settings", "by"), [(RESUME, facts.BY_CARD), (TURNED, facts.BY_SETTINGS)], ids=["unit", "unit and sense"]
)
@pytest.mark.parametrize("confirmed", [True, False], ids=["confirmed", "not confirmed"])
def test_the_zero_that_another_units_card_confirms_holds_whatever_else_was_changed(
    tmp_path: Path, settings: FixtureSettings, by: str, *, confirmed: bool
) -> None:
    play(tmp_path, killed, 20.0, settings=RESUME)
    before = recover(RealFiles(tmp_path), Journal(RealFiles(tmp_path), "pan-a1", RealClock()), "pan-a1")
    assert before.beginning.travel_zero is not None
    card = msgspec.structs.replace(CARD, unit="Q-0121", travel_zero_confirmed=confirmed)

    async def act() -> None:
        scene = open_scene(tmp_path, settings=settings, seed=2, card=card, go=False)
        state = scene.station.core.state
        assert state.run.opened is not None
        if confirmed:
            assert (state.run.opened.travel_zero, state.run.opened.travel_unknown) == (None, False)
        elif by == facts.BY_CARD:
            assert state.run.opened.travel_zero == before.beginning.travel_zero
        else:
            assert state.run.opened.travel_unknown
        await scene.guard_tried()
        assert scene.motion == "locked"
        assert scene.count("settings_changed") == (1 if by == facts.BY_SETTINGS else 0)
        if confirmed:
            scene.station.command("go", "R. Vale", "Q-0121")
            await scene.until(lambda: scene.moving)
        await scene.station.close()

    run(act)
    assert {each.ended_by for each in manifests(RealFiles(tmp_path))} == {"", by}


def test_other_settings_go_on_with_the_run_as_a_fact_an_event_and_no_new_manifest(tmp_path: Path) -> None:
    play(tmp_path, None, 30.0, settings=RESUME)
    (before,) = manifests(RealFiles(tmp_path))
    fewer = msgspec.structs.replace(
        RESUME, samples_per_block=25, plan=msgspec.structs.replace(RESUME.plan, cycles=2)
    )
    played: list[Scene] = []

    async def act() -> None:
        scene = open_scene(tmp_path, settings=fewer, seed=2)
        played.append(scene)
        await asyncio.sleep(10.0)
        assert not scene.moving  # the permission was for the plan that was seen
        assert scene.why_locked[-1].startswith("settings were changed: samples_per_block: 50 -> 25")
        scene.go()
        await scene.until(scene.station.ended.is_set)
        await scene.station.close()

    run(act)
    (second,) = played
    opened = second.station.core.state.run.opened
    assert opened is not None
    assert opened.run == before.run
    told = [event.detail for event in second.events if event.kind == "setting_changed"]
    assert told == ["samples_per_block: 50 -> 25", "plan.cycles: 1000 -> 2"]
    assert second.station.run_ended is not None  # after two cycles, as the new plan says
    assert second.station.run_ended.by == "plan"
    (after,) = manifests(RealFiles(tmp_path))
    assert (after.rig, after.variant, after.calibration) == (before.rig, before.variant, before.calibration)
    settings = [r for r in records_of(tmp_path) if getattr(r, "kind", "") == facts.SETTING]
    assert len(settings) == 1
    core = Fixture(1)
    for record in records_of(tmp_path):
        core.handle(record)
    assert core.effects_crc == second.station.core.effects_crc
    digests = open_run(tmp_path).cycles()["config_digest"]
    assert digests.nunique() == 2
    checked(tmp_path)


def test_stay_written_while_the_host_was_down_holds_at_once(tmp_path: Path) -> None:
    play(tmp_path, killed, 10.0, settings=RESUME)
    second = play(tmp_path, killed, 20.0, settings=settings_of(after_restart="stay", chunk_s=20.0), seed=2)
    assert second.count("setting_changed") == 1
    assert second.count("motion_resumed") == 0
    assert not second.moving


def test_a_setting_that_comes_while_the_device_streams_is_refused(tmp_path: Path) -> None:
    async def act() -> None:
        scene = open_scene(tmp_path, settings=RESUME)
        await scene.until(lambda: scene.moving)
        opened = scene.station.core.state.run.opened
        assert opened is not None
        rig = msgspec.json.encode(msgspec.structs.replace(RESUME, chunk_s=50.0)).decode()
        fact = facts.Setting(rig, opened.variant, opened.card, opened.calibration, "0")
        scene.station._fact(facts.SETTING, fact)
        assert scene.count("setting_refused") == 1
        assert scene.moving
        await scene.station.close()

    run(act)
