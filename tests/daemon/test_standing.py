"""What is said of a fixture of which no run is open."""

from pathlib import Path

from nightturn.bench.ledger import with_end
from nightturn.bench.worlds import real_world
from nightturn.daemon.standing import Standing
from nightturn.model.facts import Travel
from nightturn.model.records import Emit
from nightturn.model.rows import EventRow, RecoveredRow, RunEnded, StandingRow
from nightturn.storage.files import RealFiles
from nightturn.storage.manifest import Manifest, write_manifest

RUN = "20260504T180000Z-0a1b"


class Kept:
    def __init__(self) -> None:
        self.rows: list[object] = []

    def offer(self, _fixture: str, emit: Emit) -> None:
        self.rows.append(emit.row)

    @property
    def newest(self) -> StandingRow:
        row = self.rows[-1]
        assert isinstance(row, StandingRow)
        return row


def test_a_fixture_that_has_never_run_says_so_and_what_ends_the_wait(tmp_path: Path) -> None:
    kept = Kept()
    standing = Standing("pan-a1", real_world(tmp_path), [kept])
    standing.starting()
    assert (kept.newest.state, kept.newest.run) == ("starting", "")
    standing.starting("no space left")
    assert kept.newest.reason.endswith("no space left")
    standing.found()
    standing.no_run("no unit is mounted")
    assert (kept.newest.state, kept.newest.run) == ("no_run", "")
    assert (kept.newest.reason, "nightturn mount" in kept.newest.waits_for) == ("no unit is mounted", True)


def test_after_a_run_its_end_is_said_and_one_that_nobody_has_told_is_told(tmp_path: Path) -> None:
    kept, end = Kept(), RunEnded(7, RUN, "torque_nm is beyond its limit", "limit")
    manifest = Manifest(fixture="pan-a1", run=RUN, started_utc_ns=1)
    write_manifest(RealFiles(tmp_path), with_end(manifest, end, Travel(None, "unknown"), ()))
    standing = Standing("pan-a1", real_world(tmp_path), [kept])
    standing.found()
    standing.no_run("its run has ended")
    assert kept.newest.run == RUN
    assert kept.newest.reason == f"its run has ended; run {RUN} ended: torque_nm is beyond its limit"
    standing.ended(None)
    assert len(kept.rows) == 1
    standing.ended(end)
    assert kept.rows[-1] == end


def test_news_of_recovery_goes_to_every_sink_as_it_is(tmp_path: Path) -> None:
    kept, other = Kept(), Kept()
    standing = Standing("pan-a1", real_world(tmp_path), [kept, other])
    news = [
        RecoveredRow(RUN, EventRow(ts, 0, 0, "tape_damaged", "warning", "records are lost")) for ts in (7, 9)
    ]
    standing.recovered(news)
    standing.recovered(())
    assert kept.rows == other.rows == news
