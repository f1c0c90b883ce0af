"""A mosquitto broker for exactly these fixtures and readers: its configuration and access list as texts. Pure.

For mosquitto 2 (mosquitto.conf(5)): `acl_file`, so that the version of Debian 12 reads it too. The daemon writes what belongs to its own
fixtures and its host, and reads only their alarms, to clear what an earlier one left; a reader reads the lab and writes nothing. What no
line allows is denied, `cmd/` with it: nothing listens there.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.telemetry.topics import MAJOR, ROOT, WORD, Topics

PLACE = "/etc/mosquitto/nightturn"
OF_FIXTURES = ("info", "state", "m/+", "alarm/+", "ev/+")
WHERE = "broker-config"


@dataclass(frozen=True, slots=True)
class BrokerFiles:
    """The texts, by the name that each gets in its folder."""

    configuration: str
    access: str


def broker_files(
    lab: str,
    host: str,
    user: str,
    fixtures: Sequence[str],
    readers: Sequence[str],
    *,
    port: int = 8883,
    folder: str = PLACE,
) -> BrokerFiles:
    """Configuration and access list.

    Args:
        lab: of the rig file.
        host: the daemon's segment of the topic.
        user: the daemon's name to the broker.
        fixtures: of the rig file.
        readers: names of who may read.
        port: of TLS.
        folder: where the files will be on the broker's machine.

    Raises:
        ConfigError: a name that could not be part of a topic or would be two users.
    """
    topics = Topics(lab, host)
    names = [user, *readers]
    for name in names:
        if not WORD.fullmatch(name):
            raise ConfigError(f"{name!r} is no name", where=WHERE, allowed=WORD.pattern)
    if len(set(names)) < len(names):
        raise ConfigError(
            "a name is there twice", where=WHERE, allowed="a name of its own for the daemon and each reader"
        )
    return BrokerFiles(_configuration(port, folder), _access(topics, user, fixtures, readers))


def _configuration(port: int, folder: str) -> str:
    return f"""\
# Made by `nightturn broker-config` for mosquitto 2; what is not allowed here is denied.
per_listener_settings false
listener {port}
cafile {folder}/ca.crt
certfile {folder}/broker.crt
keyfile {folder}/broker.key
# With client certificates, whose common names are then the names in the access list:
# require_certificate true
# use_identity_as_username true
allow_anonymous false
password_file {folder}/passwords
acl_file {folder}/access
persistence true
persistence_location /var/lib/mosquitto/
max_queued_messages 10000
message_size_limit 262144
"""


def _access(topics: Topics, user: str, fixtures: Sequence[str], readers: Sequence[str]) -> str:
    of_host = topics.host_state().removesuffix("/state")
    lines = ["# Made by `nightturn broker-config`: the daemon, then who reads.", f"user {user}"]
    for fixture in fixtures:
        below = topics.state(fixture).removesuffix("/state")
        lines += [f"topic write {below}/{ending}" for ending in OF_FIXTURES]
        lines.append(f"topic read {below}/alarm/+")
    lines += [f"topic write {of_host}/state", f"topic write {of_host}/alarm/+"]
    for reader in readers:
        lines += ["", f"user {reader}", f"topic read {ROOT}/{MAJOR}/{topics.lab}/#"]
    return "\n".join(lines) + "\n"
