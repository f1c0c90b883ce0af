"""A task from its card to the end of its run: a person reads, consents by typing the unit, and may end it at any moment.

Whatever ends it early - Ctrl-C, a closed terminal, a fault of ours - first asks for a stop: nothing turns that nobody watches over. Nothing
here is a safety function.
"""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import GO, LOOK, STATUS, STOP, UNMOUNT, Answer, Request
from nightturn.errors import ConfigError, CorruptFileError, DeviceError, NightturnError, StorageError
from nightturn.model.quantities import quantity
from nightturn.motion.permission import MotionState
from nightturn.settings.load import read_card

OPENS_S_MAX, STREAMS_S_MAX = 30.0, 15.0
ENDS_S_MAX = 60.0
"""A shaft comes to rest and the last shunt check is made within this."""
POLL_S = 0.5
STOPS_MAX = 3
END = "end"
WAITS = (f"{MotionState.LOCKED.value}:", f"{MotionState.PAUSED.value}:")
CALLED_OFF = "cancelled before the shaft was permitted to turn"


class Person(Protocol):
    """Who is at the terminal."""

    @property
    def answers(self) -> bool:
        """Whether questions can be asked; else another terminal gives `go`."""
        ...

    def say(self, text: str) -> None:
        """Show a sentence."""
        ...

    def show(self, title: str, rows: tuple[tuple[str, str], ...]) -> None:
        """Show names and sentences."""
        ...

    def answer(self, question: str) -> str:
        """The person's answer, without blanks around it."""
        ...


@dataclass(slots=True)
class Errand:
    """One task of one fixture.

    Attributes:
        root: of the daemon that is asked.
        mount: the request for its card, with the task.
        person: who asked for it.
        ask: one request to the daemon; sleep: waits so many seconds; now_s: a clock that only goes on.
        accepted: whether the daemon has said that it took the card.
    """

    root: Path
    mount: Request
    person: Person
    ask: Callable[[Path, Request], Answer] = ask
    sleep: Callable[[float], None] = time.sleep
    now_s: Callable[[], float] = time.monotonic
    accepted: bool = False

    def carry_out(self) -> str:
        """Mount, consent, follow to the end; the run.

        Raises:
            ConfigError: the travel is unknown.
            NightturnError: the daemon refuses, or the person ends it before anything turned.
            DeviceError: the daemon does not answer.
        """
        with self.begun() as run:
            self._consented()
            self._followed(run)
            return run

    @contextmanager
    def begun(self) -> Iterator[str]:
        """The run of the card, open; whatever breaks this off leaves nothing that may turn, and no card whose run has not begun.

        Raises:
            ConfigError, NightturnError, DeviceError: as `carry_out`.
        """
        try:
            self._mounted()
            yield self._opened()
        except BaseException:  # Ctrl-C and a terminal that is gone as well as a refusal
            self.end()
            raise

    def _mounted(self) -> None:
        answer = self.ask(self.root, self.mount)
        if answer.left_out:
            where, allowed = (
                f"{self.mount.fixture}: {self.mount.unit}",
                "check the cable, then `--travel-zero`",
            )
            raise ConfigError(f"travel {answer.problem}", where=where, allowed=allowed)
        if not answer.ok:
            raise NightturnError(f"refused: {answer.problem}")
        self.accepted = True
        self.person.say(answer.travel)

    def end(self) -> None:
        """Stop the run; where none is open yet, take the card off before one is."""
        run = ""
        try:
            if not self._is_ours():
                return
            for _ in range(STOPS_MAX):
                run = self._asked(STOP).run
                if run or self._asked(UNMOUNT).ok:
                    break  # else the run was opened in between, and is stopped now
            self._closed(run)
        except DeviceError as error:
            self.person.say(f"{error}; it is not known whether the shaft is at rest")

    def _is_ours(self) -> bool:
        """Whether the card in force is the one of this task: no other run is stopped.

        A daemon that was asked may have taken the card although its answer has not come.
        """
        try:
            card = read_card(self.root, self.mount.fixture)
        except (StorageError, CorruptFileError):
            return self.accepted
        return card is not None and card.task == self.mount.task

    def _closed(self, run: str) -> None:
        """Wait until the run has ended, and say so; with none there is nothing to wait for."""
        until_s = self.now_s() + ENDS_S_MAX
        while run and self._asked(STATUS).run == run:
            if self.now_s() > until_s:
                late = quantity(ENDS_S_MAX, "s")
                self.person.say(f"stopped, but the run has not ended within {late}; look at the shaft")
                return
            self.sleep(POLL_S)
        self.person.say(f"stopped; run {run} has ended" if run else "stopped; no run was open")

    def _opened(self) -> str:
        """The run, once it is open and its device streams; a device that does not is left to the refusal of the `go`."""
        began_s = self.now_s()
        while not (status := self._asked(STATUS)).run or status.counters is None:
            waited_s = self.now_s() - began_s
            if status.run and waited_s > STREAMS_S_MAX:
                break
            if waited_s > OPENS_S_MAX:
                why = f"no run was opened within {quantity(OPENS_S_MAX, 's')}; the daemon's log says why"
                raise NightturnError(why)
            self.sleep(POLL_S)
        return status.run

    def _consented(self) -> None:
        """The second consent: the unit's serial, typed by who can see the fixture.

        Raises:
            NightturnError: the person ends it.
        """
        fixture, unit = self.mount.fixture, self.mount.unit
        if not self.person.answers:
            self.person.say(f"nothing turns before `nightturn go {fixture} --unit {unit} --operator NAME`")
            return
        while True:
            self.person.show(f"{fixture} now", self._asked(LOOK).shows)
            said = self.person.answer(
                f"Type {unit} to let the shaft turn, nothing to look again, {END} to end it"
            )
            if said == END:
                raise NightturnError(CALLED_OFF)
            if said and said != unit:
                self.person.say(f"{said!r} is not the unit of this card; nothing turns")
            elif said:
                answer = self._asked(GO)
                if answer.ok:
                    return  # what follows is said as it comes
                self.person.say(f"refused: {answer.problem}")

    def _followed(self, run: str) -> None:
        """Say what changes until the run has ended; a stop that waits for a person asks for the consent again."""
        said: set[str] = set()
        state = ""
        while (status := self._asked(STATUS)).run == run:
            if status.state != state:
                state = status.state
                self.person.say(state)
                if state.startswith(WAITS) and self.person.answers:
                    self._consented()
                    continue
            for each in status.measured:
                if each.said not in said and each.judged:
                    said.add(each.said)
                    self.person.say(each.said)
            self.sleep(POLL_S)

    def _asked(self, command: str) -> Answer:
        mount = self.mount
        unit = mount.unit if command == GO else ""
        operator = "" if command in {STATUS, LOOK} else mount.operator
        return self.ask(self.root, new_request(command, mount.fixture, operator, unit=unit))
