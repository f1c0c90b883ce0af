"""A rig record is a fact of the tape: figures are net by it live and in both replays, and another record ends the run."""

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import numpy as np
import pytest
from tests.bench.test_recovery import RESUME, killed, play

from nightturn.model import facts
from nightturn.model.figures import CycleRecord
from nightturn.model.rig_record import RigOrder, RigRecord
from nightturn.replay.figures import replay_figures
from nightturn.replay.full import replay
from nightturn.replay.tapes import tape_of_run
from nightturn.settings.rig import Encoder
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import manifests

SECONDS = 60.0
INDEXED = msgspec.structs.replace(RESUME, encoder=Encoder(counts_per_rev=2**20, reference="index"))
PATTERNS = ("ripple_pp_nm", "ripple_rms_nm", "cogging_pp_nm")


def write_record(root: Path, name: str, reference: str = "index") -> str:
    """Append a record of this rig; what a run has of it on its tape."""
    record = RigRecord(
        id=name,
        fixture=INDEXED.id,
        how="arbor run",
        transducer=INDEXED.transducer.serial,
        reference="index" if reference == "index" else "absolute",
        speed_rpm=INDEXED.plan.slow_turn.speed_rpm,
        orders=(RigOrder(1, 0.002, 0.3, 1e-4),),
        friction_nm=0.020,
        u_friction_nm=0.0005,
        temp_degc=22.0,
        valid_from=datetime(2026, 1, 12, tzinfo=UTC),
    )
    path = root / "rigs" / f"{INDEXED.id}.jsonl"
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("ab") as file:
        file.write(msgspec.json.encode(record) + b"\n")
    return msgspec.json.encode(record).decode()


def said(cycle: CycleRecord) -> list[tuple[object, ...]]:
    return [(each.name, each.value, each.status, each.measurand, each.reasons) for each in cycle.figures]


def cycles_of(root: Path, run: str) -> list[CycleRecord]:
    """The cycles by a full replay of the tape, after the fast form has given the same figures."""
    tape = tape_of_run(root, INDEXED.id, run)
    full, fast = replay(tape).rows.cycles, replay_figures(tape).cycles
    # Not u: the fast form takes temperatures by its own, larger tiles, and a friction's ± knows that of its cycle.
    assert [said(each) for each in full] == [said(each) for each in fast]
    return list(full)


def test_a_runs_figures_are_net_by_the_record_on_its_tape_until_another_ends_it(tmp_path: Path) -> None:
    play(tmp_path / "plain", None, SECONDS, settings=INDEXED)
    held = write_record(tmp_path, "R-1")
    first = play(tmp_path, killed, SECONDS, settings=INDEXED).station.core.state.run.opened
    assert first is not None
    assert first.rig_record == held
    write_record(tmp_path, "R-2")
    second = play(tmp_path, None, 5.0, settings=INDEXED, seed=2)
    ended = second.ended_before
    assert ended is not None
    assert (ended.run, ended.by) == (first.run, facts.BY_SETTINGS)
    assert 'rig_record.id: "R-1" -> "R-2"' in ended.reason

    (plain,) = manifests(RealFiles(tmp_path / "plain"))
    gross, net = cycles_of(tmp_path / "plain", plain.run), cycles_of(tmp_path, first.run)
    assert min(len(gross), len(net)) >= 2  # and one that the end cut short, with the one that was killed
    for one, other in zip(gross[:2], net[:2], strict=True):
        assert one.sums_sha256 == other.sums_sha256
        for name in (*PATTERNS, "friction_nm"):
            assert "net of the rig by rig record R-1, arbor run" in other.figure(name).measurand
            assert "gross of the rig" in one.figure(name).measurand
            assert one.figure(name).value != other.figure(name).value
        apart = np.subtract(one.figure("friction_nm").value or 0.0, other.figure("friction_nm").value or 0.0)
        assert apart == pytest.approx(0.020)
    kept = next(each for each in manifests(RealFiles(tmp_path)) if each.run == first.run)
    assert kept.rig_record == held


def test_a_record_that_does_not_fit_the_rig_leaves_figures_gross_and_says_why(tmp_path: Path) -> None:
    write_record(tmp_path, "R-1", reference="absolute")
    opened = play(tmp_path, None, SECONDS, settings=INDEXED).station.core.state.run.opened
    assert opened is not None
    found = cycles_of(tmp_path, opened.run)
    assert found
    for name in (*PATTERNS, "friction_nm"):
        figure = found[0].figure(name)
        assert "gross of the rig" in figure.measurand
        assert (
            "Rig record R-1 refers to an encoder with reference absolute, the rig's is index. The value is gross of the rig."
        ) in figure.reasons
