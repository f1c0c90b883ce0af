"""Alarms on their way to people: what is due is sent by every way that the rig file names, tried again, and given up with an alarm."""

import asyncio
import os
import secrets
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo

import msgspec
import structlog

from nightturn.alarms import conditions as known
from nightturn.alarms.notices import Notices, Rules, Sent, Word
from nightturn.bench.alarm_desk import AlarmDesk
from nightturn.daemon.channels import Channel, Letter, body_of, by_apprise, mail, webhook
from nightturn.errors import NightturnError, StorageError
from nightturn.model.clocks import NS_PER_S
from nightturn.settings.rig import NotifyPart, Rig
from nightturn.telemetry.moments import utc_text
from nightturn.world import World

SENT = "alarms/notices.json"
LOOK_S = 1.0
FIRST_S, LONGEST_S = 5.0, 600.0
TRIES_TOLD = 3
"""After so many tries people are called on the other ways there are."""
GIVEN_UP_S = 24 * 3600.0
WAITING_MAX = 200
SECRET, PASSWORD = "NIGHTTURN_WEBHOOK_SECRET", "NIGHTTURN_SMTP_PASSWORD"

log: structlog.stdlib.BoundLogger = structlog.get_logger()


@dataclass(slots=True)
class _Way:
    name: str
    send: Channel
    kinds: frozenset[str]
    waiting: list[tuple[float, Letter]] = field(default_factory=list)
    tries: int = 0
    next_s: float = 0.0


class Notifier:
    """Looks once a second what is due, and keeps what could not be sent, a day at most."""

    def __init__(
        self,
        rules: Rules,
        ways: Mapping[str, tuple[Channel, frozenset[str]]],
        world: World,
        *,
        lab: str,
        host: str,
        zone: tzinfo,
    ) -> None:
        """Args: `ways` by name, each with the kinds of word that go that way."""
        self._world = world
        self._lab, self._host, self._zone = lab, host, zone
        self._ways = [_Way(name, send, kinds) for name, (send, kinds) in ways.items()]
        self._notices = Notices(rules, self._read())
        self.given_up = 0

    async def run(self, desk: AlarmDesk) -> None:
        """Until cancelled."""
        while True:
            await self.look(desk)
            await asyncio.sleep(LOOK_S)

    async def look(self, desk: AlarmDesk) -> None:
        """Send what is due now, and try again what has waited long enough."""
        now_ts = desk.now_ts
        local = datetime.fromtimestamp(now_ts // NS_PER_S, self._zone)
        words = self._notices.due(now_ts, local.hour * 60 + local.minute, local.toordinal(), desk.rows)
        loop = asyncio.get_running_loop()
        for word in words:
            letter = self._letter(word, now_ts)
            for way in self._ways:
                if word.kind in way.kinds:
                    way.waiting = [*way.waiting, (loop.time(), letter)][-WAITING_MAX:]
        if words:
            await self._world.offload(self._keep)
        for way in self._ways:
            if way.waiting and loop.time() >= way.next_s:
                await self._send(way, desk, loop.time())

    async def _send(self, way: _Way, desk: AlarmDesk, now_s: float) -> None:
        since_s, letter = way.waiting[0]
        try:
            await self._world.offload(lambda: way.send(letter))
        except NightturnError as error:
            way.tries += 1
            way.next_s = now_s + min(LONGEST_S, FIRST_S * 2.0 ** (way.tries - 1))
            if way.tries == TRIES_TOLD:
                _not_sent(way.name, error)
                desk.host(known.UNDELIVERED, there=True, said=f"{error}; it is tried again")
            if now_s - since_s > GIVEN_UP_S:
                way.waiting.pop(0)
                self.given_up += 1
            return
        way.waiting.pop(0)
        way.tries, way.next_s = 0, 0.0

    def _letter(self, word: Word, now_ts: int) -> Letter:
        number = secrets.token_hex(8)
        first = word.rows[0] if word.rows else None
        subject = {
            "alive": f"{self._lab}: nightturn is there",
            "escalation": f"{self._lab}: nobody has acknowledged an alarm",
        }.get(
            word.kind,
            f"{self._lab}: {first.severity}: {first.fixture}: {first.title}" if first else self._lab,
        )
        alarms = [msgspec.to_builtins(row) for row in word.rows]
        ts = utc_text(now_ts)
        body = body_of(number, ts, word.kind, word.text, alarms, lab=self._lab, host=self._host)
        return Letter(number, subject, word.text, body)

    def _read(self) -> Sent:
        """What an earlier daemon has sent; nothing where that cannot be read: then word is sent once more rather than never."""
        try:
            return msgspec.json.decode(self._world.files.read(SENT), type=Sent)
        except (OSError, msgspec.MsgspecError):
            return Sent()

    def _keep(self) -> None:
        files, made = self._world.files, f"{SENT}.tmp"
        try:
            if made.rpartition("/")[2] in files.list("alarms"):
                files.remove(made)
            files.append(made, msgspec.json.encode(self._notices.sent))
            files.sync(made)
            files.replace(made, SENT)
        except (OSError, StorageError) as error:
            log.warning("notices_not_kept", why=str(error))


def _not_sent(way: str, error: NightturnError) -> None:
    log.error("notice_not_sent", way=way, why=str(error), next="tried again, for a day at most")


def minute_of(text: str) -> int:
    """`06:30` as minutes of the day."""
    hours, _, minutes = text.partition(":")
    return int(hours) * 60 + int(minutes)


def rules_of(part: NotifyPart) -> Rules:
    """The rules that a rig file asks for."""
    quiet = part.quiet or ("00:00", "00:00")
    return Rules(
        quiet_from=minute_of(quiet[0]),
        quiet_to=minute_of(quiet[1]),
        escalate_s=part.escalate_min * 60.0 if part.escalate_min is not None else None,
        alive_at=minute_of(part.alive_at) if part.alive_at is not None else None,
    )


def notifier_of(
    rig: Rig, world: World, zone: tzinfo, host: str, environ: Mapping[str, str] = os.environ
) -> Notifier | None:
    """The notifier of a rig file; None where it names no way to anybody.

    Raises:
        ConfigError: an address cannot be used, a secret or a package is missing.
    """
    part = rig.notify
    if part is None:
        return None
    usual, every = frozenset({"alarm", "alive"}), frozenset({"alarm", "alive", "escalation"})
    password = environ.get(PASSWORD, "")
    ways: dict[str, tuple[Channel, frozenset[str]]] = {}
    if part.webhook is not None:
        now_s: Callable[[], int] = lambda: world.clock.utc_ns() // NS_PER_S  # noqa: E731 - a clock
        ways["webhook"] = webhook(part.webhook, environ.get(SECRET, ""), now_s), every
    if part.smtp is not None:
        _mail_ways(ways, part.smtp, part.mail_from, part.mail_to, part.escalate_to, password, usual)
    if part.apprise:
        ways["apprise"] = by_apprise(part.apprise), every
    return Notifier(rules_of(part), ways, world, lab=rig.bench.lab, host=host, zone=zone)


def _mail_ways(
    ways: dict[str, tuple[Channel, frozenset[str]]],
    server: str,
    sender: str,
    to: Sequence[str],
    escalate_to: Sequence[str],
    password: str,
    usual: frozenset[str],
) -> None:
    """Mail to those who are usually sent word, and to those who are when nobody answers."""
    if to:
        kinds = usual if escalate_to else usual | {"escalation"}
        ways["mail"] = mail(server, sender, to, password), kinds
    if escalate_to:
        ways["mail, escalation"] = mail(server, sender, escalate_to, password), frozenset({"escalation"})
