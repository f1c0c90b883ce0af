"""The alarms that are open, as their log on the disk says them, laid over tiles and pages."""

import dataclasses
from collections.abc import Iterable, Sequence
from datetime import UTC
from pathlib import Path

from nightturn.errors import StorageError
from nightturn.model.alarms import HOST, AlarmRow, AlarmState
from nightturn.pictures.night import moment_text
from nightturn.sentences.alarms import since_text, standing_lines
from nightturn.sentences.first_words import sentence_of
from nightturn.sentences.morning import BY_WORD, Severity
from nightturn.storage.alarm_log import FOLDER, Book, read_book
from nightturn.storage.zones import zone_of
from nightturn.web.glance import Glance


@dataclasses.dataclass(frozen=True, slots=True)
class AlarmLine:
    """One alarm as a page shows it."""

    id: str
    need: Severity
    title: str
    said: str
    todo: str
    state: str
    open: bool
    host: str = ""

    def of_host(self, host: str) -> "AlarmLine":
        """The same as the word of one host among many."""
        return dataclasses.replace(self, host=host)


class AlarmList:
    """The log's newest file, read again when it changed."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._look: object = None
        self._book = Book()

    def book(self) -> Book:
        """What is open; where the log cannot be read, that is its problem."""
        look = [
            (path.name, stat.st_size, stat.st_mtime_ns)
            for path in sorted((self._root / FOLDER).glob("log-*.jsonl"))[-1:]
            for stat in (path.stat(),)
        ]
        if look != self._look:
            try:
                self._book = read_book(self._root)
            except StorageError as problem:
                self._book = Book(problem=str(problem))
            self._look = look
        return self._book


def of_fixture(book: Book, fixture: str) -> tuple[AlarmRow, ...]:
    """The alarms of one fixture, or of the host, that call for somebody first."""
    return tuple(each for each in book.rows if each.fixture == fixture)


def with_alarms(glance: Glance, rows: Sequence[AlarmRow]) -> Glance:
    """A fixture at a glance with what calls a person to it: the most urgent says why."""
    calling = [each for each in rows if each.calls and each.state is not AlarmState.ACKNOWLEDGED]
    if not calling or glance.silent:
        return glance
    first = max(calling, key=lambda each: BY_WORD[each.severity])
    need = BY_WORD[first.severity]
    if need < glance.need or need is Severity.NOTE:
        return glance
    others = len(calling) - 1
    beside = f"{others} more {'alarm' if others == 1 else 'alarms'} beside it." if others else ""
    judged = glance.sentence if not glance.quiet else ""  # an alarm does not hide what is known of the unit
    return dataclasses.replace(
        glance,
        need=need,
        quiet=False,
        turning=False,
        sentence=sentence_of(first.said or first.title),
        more=" ".join(each for each in (judged, glance.more if judged else "", beside) if each),
    )


def lines_of(rows: Iterable[AlarmRow], timezone: str) -> tuple[AlarmLine, ...]:
    """Alarms as a page shows them."""
    return tuple(_line(each, timezone) for each in rows)


def host_alarms(book: Book, timezone: str) -> tuple[AlarmLine, ...]:
    """What calls a person and belongs to no fixture."""
    return lines_of((each for each in of_fixture(book, HOST) if each.calls), timezone)


def _line(row: AlarmRow, timezone: str) -> AlarmLine:
    zone = zone_of(timezone) or UTC

    def moment(ts: int) -> str:
        return moment_text(ts, zone)

    return AlarmLine(
        id=row.id,
        need=BY_WORD[row.severity],
        title=row.title,
        said=sentence_of(row.said),
        todo=sentence_of(row.todo),
        state=sentence_of("; ".join((since_text(row, moment), *standing_lines(row, moment)))),
        open=row.state in {AlarmState.ACTIVE, AlarmState.RETURNED, AlarmState.LATCHED},
    )
