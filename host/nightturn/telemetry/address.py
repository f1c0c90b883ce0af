"""Where the broker is: one URL, taken apart with clear complaints and without ever printing a password."""

import ssl
from dataclasses import dataclass, field
from urllib.parse import unquote, urlsplit

from nightturn.errors import ConfigError

WHERE = "[mqtt] url"
ALLOWED = "mqtt://host[:1883] or mqtts://host[:8883]"
PORT_OF_SCHEME = {"mqtt": 1883, "mqtts": 8883}


@dataclass(frozen=True, slots=True)
class Address:
    """A broker and who we are to it; the password never shows in `repr` and `text`."""

    host: str
    port: int
    tls: bool
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls_context: ssl.SSLContext | None = field(default=None, repr=False, compare=False)

    @property
    def text(self) -> str:
        """The address for a log: scheme, host and port."""
        return f"{'mqtts' if self.tls else 'mqtt'}://{self.host}:{self.port}"


def parse_url(
    url: str,
    *,
    username: str | None = None,
    password: str | None = None,
    cafile: str | None = None,
    own: tuple[str | None, str | None] = (None, None),
) -> Address:
    """Take `mqtt://host[:port]` or `mqtts://host[:port]` apart.

    A user name or password inside the URL gives way to the arguments. `cafile` is the certificate authority to
    trust instead of the system's, `own` the files of our certificate and of its key.

    Raises:
        ConfigError: another scheme, no host, an impossible port, a path, or an unreadable file.
    """
    try:
        parts = urlsplit(url)
        port = parts.port
        (parts.hostname or "").encode("idna")  # a name that no resolver would take
    except ValueError:
        raise ConfigError("the address cannot be read", where=WHERE, allowed=ALLOWED) from None
    if parts.scheme not in PORT_OF_SCHEME:
        raise ConfigError(f"scheme {parts.scheme!r} is not known", where=WHERE, allowed=ALLOWED)
    if not parts.hostname:
        raise ConfigError("the address names no host", where=WHERE, allowed=ALLOWED)
    if parts.path not in {"", "/"} or parts.query or parts.fragment:
        raise ConfigError("nothing may follow the port", where=WHERE, allowed=ALLOWED)
    if port == 0:
        raise ConfigError("port 0 cannot be reached", where=WHERE, allowed=ALLOWED)
    tls = parts.scheme == "mqtts"
    if cafile is not None and not tls:
        raise ConfigError("a cafile needs mqtts://", where="[mqtt] cafile", allowed=ALLOWED)
    if any(own) and not (tls and own[0]):
        raise ConfigError(
            "a certificate needs mqtts:// and certfile",
            where="[mqtt] certfile",
            allowed="a PEM file, and mqtts://",
        )
    return Address(
        host=parts.hostname,
        port=port or PORT_OF_SCHEME[parts.scheme],
        tls=tls,
        username=username or (unquote(parts.username) if parts.username else None),
        password=password or (unquote(parts.password) if parts.password else None),
        tls_context=_trust(cafile, *own) if tls else None,
    )


def _trust(cafile: str | None, certfile: str | None, keyfile: str | None) -> ssl.SSLContext:
    try:
        context = ssl.create_default_context(cafile=cafile)
    except (OSError, ssl.SSLError) as problem:
        raise ConfigError(
            f"{cafile}: {problem.strerror or problem}",
            where="[mqtt] cafile",
            allowed="a PEM file with the certificate authority",
        ) from None
    if certfile is not None:
        try:
            context.load_cert_chain(certfile, keyfile)
        except (OSError, ssl.SSLError) as problem:
            raise ConfigError(
                f"{certfile}: {problem.strerror or problem}",
                where="[mqtt] certfile",
                allowed="a PEM file with our certificate, and keyfile with its key where that is not in it",
            ) from None
    return context
