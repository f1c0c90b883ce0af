"""A task at a terminal: whatever a person answers, and wherever it is broken off, nothing is left that may turn."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import pytest

from nightturn.daemon.control_client import new_request
from nightturn.daemon.control_protocol import (
    GO,
    LOOK,
    MOUNT,
    STATUS,
    STOP,
    UNMOUNT,
    VERSION,
    Answer,
    Request,
    refused,
)
from nightturn.daemon.errand import CALLED_OFF, END, Errand
from nightturn.daemon.mounting import card_of, taken_off
from nightturn.errors import ConfigError, DeviceError, NightturnError
from nightturn.model.cards import MountCard
from nightturn.model.device import DeviceCounters
from nightturn.model.tasks import MeasureTask
from nightturn.settings.load import append_card, read_card

RUN = "20260504T180000Z-ab12"
COUNTERS = DeviceCounters(leases_refused=0, adc_overrange=0, encoder_errors=0, tx_stalls=0, cpu_pct=None)
TURNS = 4  # looks at the state until the plan is done


@dataclass
class FakeDaemon:
    """A daemon by its answers: a run opens some looks after its card, turns after `go`, ends by itself or by `stop`.

    `breaks_at` is the number of the call, of any kind, that Ctrl-C cuts short: after it was carried out.
    """

    root: Path
    breaks_at: int = -1
    guard_open: int = 0
    foreign: bool = False
    opens_late: bool = False
    run: str = ""
    turning: bool = False
    looks: int = 0
    calls: int = 0
    otherwise: dict[str, Callable[[Request], Answer]] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)

    def step(self) -> None:
        self.calls += 1
        if self.calls == self.breaks_at:
            raise KeyboardInterrupt

    def ask(self, _root: Path, request: Request) -> Answer:
        self.asked.append(request.command)
        carry_out = self.otherwise.get(request.command) or getattr(self, request.command)
        answer = carry_out(request)
        assert isinstance(answer, Answer)
        self.step()
        return answer

    def mount(self, request: Request) -> Answer:
        if self.foreign:
            return refused(request.id, "a run of Q-0001 is open on pan-a1")
        append_card(self.root, request.fixture, card_of(request, 10**18))
        return self._ok(request, travel="travel counts on: at +0.0°")

    def status(self, request: Request) -> Answer:
        card = read_card(self.root, "pan-a1")
        self.looks += card is not None or self.foreign
        if not self.foreign and card is not None and self.looks == 2:
            self.run = RUN
        if self.turning and self.looks > 2 + TURNS:
            self.turning, self.run = False, ""
        return self._ok(request, state="turning: by R. Vale" if self.turning else "locked: no permission yet")

    def look(self, request: Request) -> Answer:
        return self._ok(request, shows=(("unit", "Q-0117"),))

    def go(self, request: Request) -> Answer:
        if self.guard_open:
            self.guard_open -= 1
            return refused(request.id, "the guard is open")
        self.turning, self.looks = True, 2
        return self._ok(request, state="allowed: by R. Vale")

    def stop(self, request: Request) -> Answer:
        was, self.turning, self.run = self.run, False, ""
        return msgspec.structs.replace(self._ok(request), run=was)

    def unmount(self, request: Request) -> Answer:
        if self.opens_late:
            self.opens_late, self.run = False, RUN
            return refused(request.id, "the run has just begun")
        append_card(self.root, request.fixture, taken_off(self.root, request, 10**18))
        return self._ok(request)

    def _ok(self, request: Request, **more: object) -> Answer:
        return msgspec.structs.replace(
            Answer(VERSION, request.id, ok=True, run=self.run, counters=COUNTERS), **more
        )


@dataclass
class Typing:
    """A person who gives these answers, then Ctrl-C."""

    daemon: FakeDaemon
    answers_left: list[str]
    answers: bool = True

    def say(self, text: str) -> None:
        self.daemon.said.append(text)

    def show(self, title: str, rows: tuple[tuple[str, str], ...]) -> None:
        assert rows, title

    def answer(self, question: str) -> str:
        assert "Q-0117" in question
        assert not self.daemon.turning, "asked while it turns"
        self.daemon.step()
        if not self.answers_left:
            raise KeyboardInterrupt
        return self.answers_left.pop(0)


def errand(daemon: FakeDaemon, *answers: str, there: bool = True) -> Errand:
    mount = new_request(MOUNT, "pan-a1", "R. Vale", unit="Q-0117")
    task = MeasureTask(figures=("friction_nm",), request=mount.id)
    mount = msgspec.structs.replace(mount, variant="pan15", task=task)
    clock = iter(range(10**6))
    return Errand(
        daemon.root,
        mount,
        Typing(daemon, list(answers), there),
        daemon.ask,
        lambda _s: daemon.step(),
        lambda: float(next(clock)),
    )


def card(daemon: FakeDaemon) -> MountCard | None:
    return read_card(daemon.root, "pan-a1")


def test_the_unit_typed_lets_it_turn_and_the_end_of_its_run_ends_it(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path)
    assert errand(daemon, "Q-0117").carry_out() == RUN
    assert daemon.asked[0] == MOUNT
    assert daemon.asked.count(GO) == 1
    assert STOP not in daemon.asked


def test_no_other_answer_lets_it_turn(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path)
    with pytest.raises(NightturnError, match=CALLED_OFF):
        errand(daemon, "q-0117", "yes", "go", "", "Q-01170", END).carry_out()
    assert GO not in daemon.asked
    assert daemon.asked.count(LOOK) == 6
    assert "'yes' is not the unit of this card; nothing turns" in daemon.said
    assert (daemon.run, daemon.asked.count(STOP)) == ("", 1)


def test_a_refused_go_is_said_and_asked_for_again(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path, guard_open=2)
    assert errand(daemon, "Q-0117", "Q-0117", "Q-0117").carry_out() == RUN
    assert daemon.said.count("refused: the guard is open") == 2


def test_ctrl_c_at_every_step_leaves_no_turning_shaft_no_open_run_and_no_card_of_a_run_that_never_began(
    tmp_path: Path,
) -> None:
    whole = FakeDaemon(tmp_path / "whole")
    errand(whole, "Q-0117").carry_out()
    for at in range(1, whole.calls + 1):
        daemon = FakeDaemon(tmp_path / str(at), breaks_at=at)
        with pytest.raises(KeyboardInterrupt):
            errand(daemon, "Q-0117").carry_out()
        assert (daemon.turning, daemon.run) == (False, ""), at
        assert STOP in daemon.asked, at
        assert daemon.asked.index(STOP) > max(
            i for i, each in enumerate(daemon.asked) if each not in {STOP, STATUS, UNMOUNT}
        ), at
        assert daemon.looks >= 2 or card(daemon) is None, at


def test_a_run_that_opens_while_its_card_is_taken_off_is_stopped(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path, breaks_at=1, opens_late=True)
    with pytest.raises(KeyboardInterrupt):
        errand(daemon).carry_out()
    assert daemon.asked == [MOUNT, STOP, UNMOUNT, STOP, STATUS]
    assert daemon.said[-1] == f"stopped; run {RUN} has ended"


@pytest.mark.parametrize("breaks_at", [-1, 1])
def test_a_run_of_somebody_else_is_neither_joined_nor_stopped(tmp_path: Path, breaks_at: int) -> None:
    daemon = FakeDaemon(
        tmp_path, foreign=True, run="20260504T170000Z-cd34", turning=True, breaks_at=breaks_at
    )
    with pytest.raises(NightturnError if breaks_at < 0 else KeyboardInterrupt):
        errand(daemon, "Q-0117").carry_out()
    assert (daemon.turning, daemon.asked) == (True, [MOUNT])


def test_a_run_that_does_not_open_or_whose_device_does_not_stream_is_not_waited_for_for_ever(
    tmp_path: Path,
) -> None:
    daemon = FakeDaemon(tmp_path / "closed")
    daemon.otherwise[STATUS] = lambda request: Answer(VERSION, request.id, ok=True)
    with pytest.raises(NightturnError, match="no run was opened within 30 s"):
        errand(daemon, "Q-0117").carry_out()
    assert daemon.asked[-2:] == [STOP, UNMOUNT]
    silent = FakeDaemon(tmp_path / "silent")
    silent.otherwise[STATUS] = lambda request: msgspec.structs.replace(silent.status(request), counters=None)
    assert errand(silent, "Q-0117").carry_out() == RUN


def test_without_a_terminal_it_gives_no_go(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path, breaks_at=12)
    with pytest.raises(KeyboardInterrupt):
        errand(daemon, there=False).carry_out()
    assert GO not in daemon.asked
    assert "nothing turns before `nightturn go pan-a1 --unit Q-0117 --operator NAME`" in daemon.said


def test_an_unknown_travel_is_a_mistake_of_the_request(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path)
    unknown = refused("", "unknown: never seen")
    daemon.otherwise[MOUNT] = lambda _request: msgspec.structs.replace(unknown, left_out=True)
    with pytest.raises(ConfigError, match="--travel-zero"):
        errand(daemon).carry_out()


def test_a_daemon_that_falls_silent_is_said_to_leave_the_shaft_unknown(tmp_path: Path) -> None:
    daemon = FakeDaemon(tmp_path)

    def silent(request: Request) -> Answer:
        raise DeviceError(f"the daemon does not answer {request.command}")

    daemon.otherwise = {GO: silent, STOP: silent}
    with pytest.raises(DeviceError):
        errand(daemon, "Q-0117").carry_out()
    assert daemon.said[-1] == "the daemon does not answer stop; it is not known whether the shaft is at rest"


def test_a_daemon_that_falls_silent_behind_the_stop_is_said_to_leave_the_shaft_unknown(
    tmp_path: Path,
) -> None:
    daemon = FakeDaemon(tmp_path)

    def stopped(request: Request) -> Answer:
        daemon.otherwise[STATUS] = silent
        return daemon.stop(request)

    def silent(request: Request) -> Answer:
        raise DeviceError(f"the daemon does not answer {request.command}")

    daemon.otherwise = {GO: silent, STOP: stopped}
    with pytest.raises(DeviceError, match="does not answer go"):
        errand(daemon, "Q-0117").carry_out()
    assert (
        daemon.said[-1] == "the daemon does not answer status; it is not known whether the shaft is at rest"
    )
