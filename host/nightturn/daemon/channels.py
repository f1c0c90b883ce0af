"""Ways to people: a signed webhook, mail, and whatever apprise knows. Each sends one message and raises when that failed; all may take long."""

import hashlib
import hmac
import smtplib
import ssl
import urllib.error
import urllib.request
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from urllib.parse import unquote, urlsplit

import msgspec

from nightturn.errors import ConfigError, TelemetryError

TIMEOUT_S = 15.0
SIGNATURE, TIMESTAMP, NUMBER = "X-Nightturn-Signature", "X-Nightturn-Timestamp", "X-Nightturn-Id"
APPRISE = "pip install 'nightturn[notify]'"


@dataclass(frozen=True, slots=True)
class Letter:
    """One message: its id, which stays the same however often it is tried, subject, text, and the whole for machines."""

    id: str
    subject: str
    text: str
    body: bytes


Channel = Callable[[Letter], None]


def signature(secret: bytes, timestamp: str, body: bytes) -> str:
    """What a receiver compares: HMAC-SHA256 (RFC 2104) of timestamp, a point and the body, in hex."""
    return "sha256=" + hmac.new(secret, timestamp.encode() + b"." + body, hashlib.sha256).hexdigest()


def webhook(url: str, secret: str, now_s: Callable[[], int]) -> Channel:
    """POST the message as JSON.

    Raises:
        ConfigError: no such address, or no secret.
    """
    if urlsplit(url).scheme not in {"http", "https"} or not urlsplit(url).hostname:
        raise ConfigError("is no address", where="[notify] webhook", allowed="https://host/path")
    if not secret:
        raise ConfigError("no secret", where="[notify] webhook", allowed="one in NIGHTTURN_WEBHOOK_SECRET")

    def send(letter: Letter) -> None:
        timestamp = str(now_s())
        headers = {
            "Content-Type": "application/json",
            TIMESTAMP: timestamp,
            NUMBER: letter.id,
            SIGNATURE: signature(secret.encode(), timestamp, letter.body),
        }
        request = urllib.request.Request(url, letter.body, headers, method="POST")  # noqa: S310 - the scheme was looked at
        try:
            with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:  # noqa: S310 - the same
                answer.read(1)
        except urllib.error.HTTPError as refusal:
            with refusal:  # an answer is open in it
                raise TelemetryError(f"webhook: {refusal}") from None
        except OSError as error:
            raise TelemetryError(f"webhook: {error}") from error

    return send


def mail(server: str, sender: str, receivers: Sequence[str], password: str) -> Channel:
    """Send it by SMTP: `smtps://` encrypted from the first byte, `smtp://` by STARTTLS, without which no password is sent.

    Raises:
        ConfigError: no such server.
    """
    parts = urlsplit(server)
    if parts.scheme not in {"smtp", "smtps"} or not parts.hostname:
        raise ConfigError(
            "is no mail server", where="[notify] smtp", allowed="smtps://user@host:465, smtp://host:587"
        )
    host, user = parts.hostname, unquote(parts.username or "")
    tls = ssl.create_default_context()

    def send(letter: Letter) -> None:
        message = EmailMessage()
        message["Subject"], message["From"], message["To"] = letter.subject, sender, ", ".join(receivers)
        message["Message-ID"] = f"<{letter.id}@nightturn>"
        message.set_content(letter.text)
        try:
            if parts.scheme == "smtps":
                line: smtplib.SMTP = smtplib.SMTP_SSL(host, parts.port or 465, timeout=TIMEOUT_S, context=tls)
            else:
                line = smtplib.SMTP(host, parts.port or 587, timeout=TIMEOUT_S)
            with line:
                if parts.scheme == "smtp" and (line.ehlo()[0] and line.has_extn("starttls")):
                    line.starttls(context=tls)
                elif parts.scheme == "smtp" and password:
                    raise TelemetryError("mail: the server offers no STARTTLS, so no password is sent")
                if password:
                    line.login(user, password)
                line.send_message(message)
        except (OSError, smtplib.SMTPException) as error:
            raise TelemetryError(f"mail: {error}") from error

    return send


def by_apprise(urls: Sequence[str]) -> Channel:
    """Whatever apprise can reach.

    Raises:
        ConfigError: it is not installed, or takes none of an address.
    """
    try:
        import apprise
    except ImportError as error:
        raise ConfigError("apprise is not installed", where="[notify] apprise", allowed=APPRISE) from error
    targets = apprise.Apprise()
    for place, url in enumerate(urls, start=1):
        if not targets.add(url):
            raise ConfigError(
                f"address {place} cannot be used",
                where="[notify] apprise",
                allowed="an address that apprise knows",
            )

    def send(letter: Letter) -> None:
        if not targets.notify(body=letter.text, title=letter.subject):
            raise TelemetryError("apprise: not every address took it")

    return send


def body_of(
    id_: str, ts: str, kind: str, text: str, alarms: Sequence[dict[str, object]], *, lab: str, host: str
) -> bytes:
    """The message for machines."""
    said = {
        "schema": "notice",
        "v": 1,
        "id": id_,
        "ts": ts,
        "lab": lab,
        "host": host,
        "kind": kind,
        "text": text,
        "alarms": alarms,
    }
    return msgspec.json.encode(said)
