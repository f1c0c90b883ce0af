"""What was written last is the newest, whatever the wall clock says: a clock that is put back makes no entry older."""

import asyncio
import dataclasses
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import msgspec
import numpy as np
from tests.bench.test_recovery import begun
from tests.bench.test_side_files import BEFORE, a_run_that_ends
from tests.simulation.scene import CARD

from nightturn.bench.runs import card_text, next_run_id
from nightturn.bench.safekeeping import Safekeeping
from nightturn.bench.worlds import real_world
from nightturn.model.rows import StateRow
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.manifest import newest_run

HOUR_S = 3600.0
NOW_NS = 1_777_917_600_000_000_000  # 2026-05-04 18:00:00 UTC


def test_a_run_begun_after_the_clock_was_put_back_is_the_newest_and_its_card_the_one_used_up(
    tmp_path: Path,
) -> None:
    first = a_run_that_ends(tmp_path, card=BEFORE, later_s=HOUR_S)
    second = a_run_that_ends(tmp_path, card=CARD)
    assert second != first
    assert newest_run(RealFiles(tmp_path), "pan-a1") == second.stem
    beginning = begun(tmp_path)
    assert beginning.used_card == card_text(CARD)
    assert (
        msgspec.json.decode(second.read_bytes())["started_utc_ns"] == NOW_NS
    )  # what it says of the time stays


def test_an_id_follows_the_newest_by_a_second_at_least_and_else_is_the_time() -> None:
    rng = np.random.default_rng(1)
    assert next_run_id("", NOW_NS, rng)[:17] == "20260504T180000Z-"
    assert next_run_id("20260504T175959Z-ffff", NOW_NS, rng)[:17] == "20260504T180000Z-"
    assert next_run_id("20260504T180000Z-ffff", NOW_NS, rng)[:17] == "20260504T180001Z-"
    assert next_run_id("20270101T235959Z-0000", NOW_NS, rng)[:17] == "20270102T000000Z-"


class SlowLedger:
    """A manifest whose first entry takes so long that a second thread would overtake it."""

    def __init__(self) -> None:
        self.written: list[StateRow] = []
        self._second = threading.Event()

    def stands(self, row: StateRow) -> None:
        if not self.written and not self._second.is_set() and row.state == "turning":
            self._second.wait(0.3)
        self.written.append(row)
        self._second.set()


def test_the_state_that_was_told_last_is_written_last_also_with_an_older_time(tmp_path: Path) -> None:
    async def act() -> None:
        loop = asyncio.get_running_loop()
        with ThreadPoolExecutor(2) as pool:
            world = dataclasses.replace(
                real_world(tmp_path), offload=lambda job: loop.run_in_executor(pool, job)
            )
            keeping = Safekeeping("pan-a1", world, Journal(world.files, "pan-a1", world.clock), print)
            ledger = SlowLedger()
            keeping.ledger = ledger  # type: ignore[assignment]  # what is used of one
            keeping.stands(row("turning", ts=20))
            while keeping._stood is not None:  # noqa: ASYNC110 - what is seen has no event of its own
                await asyncio.sleep(0)
            keeping.stands(row("locked", ts=10))
            await keeping.drained()
        assert [each.state for each in ledger.written] == ["turning", "locked"]

    asyncio.run(act())


def row(state: str, ts: int) -> StateRow:
    empty = {field.name: "" for field in msgspec.structs.fields(StateRow) if field.required}
    return StateRow(**{**empty, "state": state, "ts": ts})  # type: ignore[arg-type]  # only these two are looked at
