"""Requests about alarms over the control socket: each is a line of the log, everything else goes to the fixtures."""

import asyncio
from pathlib import Path

from tests.simulation.scene import START_UTC_NS, run

from nightturn.alarms.words import Sign
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.bench.virtual_loop import VirtualLoop
from nightturn.bench.worlds import virtual_world
from nightturn.daemon.alarm_control import AlarmControl
from nightturn.daemon.control_protocol import VERSION, Answer, Request
from nightturn.storage.alarm_log import check_book, read_book


async def others(request: Request) -> Answer:
    """The fixtures, which are no matter here."""
    return Answer(VERSION, request.id, ok=True, state=f"{request.command} of {request.fixture}")


def test_a_persons_words_are_kept_in_the_log_and_refusals_change_nothing(tmp_path: Path) -> None:
    async def act() -> None:
        loop = asyncio.get_running_loop()
        assert isinstance(loop, VirtualLoop)
        desk = AlarmDesk(virtual_world(tmp_path, loop, START_UTC_NS), ["pan-a1"], "boot")
        control = AlarmControl(desk, ["pan-a1"], others)

        async def asked(command: str, fixture: str = "pan-a1", alarm: str = "", **more: object) -> Answer:
            request = Request(VERSION, "1", command, fixture, "R. Vale", alarm=alarm, **more)  # type: ignore[arg-type]  # fields of it
            return await control(request)

        assert (await asked("stop")).state == "stop of pan-a1"
        assert desk.say(Sign("pan-a1", "device_restarted", there=True, said="boot")) == ""
        nobody = await asked("acknowledge", "pan-b7")
        assert (nobody.ok, nobody.problem) == (
            False,
            "no fixture 'pan-b7' here; this daemon has: pan-a1, host",
        )
        aside = await asked("set_aside", alarm="device_restarted", for_s=3600.0, reason="a part is on order")
        assert (aside.ok, aside.kept, aside.state) == (True, True, "device_restarted set aside by R. Vale")
        assert (
            await asked("put_back", alarm="device_restarted")
        ).state == "device_restarted put back by R. Vale"
        assert (await asked("acknowledge")).state == "acknowledged by R. Vale"
        assert not (await asked("acknowledge")).ok
        assert (await asked("out_of_service", reason="new bearing")).state == "out of service by R. Vale"
        assert (await asked("audit", "", "signed_in", reason="from the page")).ok
        (row,) = read_book(tmp_path).rows
        assert (row.acknowledged_by, row.set_aside) == ("R. Vale", None)
        assert row.out_of_service is not None
        book, changes = check_book(tmp_path)
        assert (book.problem, changes) == ("", 5)
        log = (tmp_path / "alarms" / "log-000001.jsonl").read_text(encoding="utf-8")
        assert '"type":"audited","what":"signed_in","by":"R. Vale","detail":"from the page"' in log

    run(act)
