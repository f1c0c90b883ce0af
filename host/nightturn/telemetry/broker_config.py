"""A mosquitto broker for exactly these fixtures and readers: its configuration and access list as texts. Pure.

For mosquitto 2 (mosquitto.conf(5)): `acl_file`, so that the version of Debian 12 reads it too. The daemon writes what belongs to its own
fixtures and its host, and reads only their alarms, to clear what an earlier one left, and their commands where there are operators; a
reader reads the lab and writes nothing, an operator may write commands beside it. What no line allows is denied.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from nightturn.errors import ConfigError
from nightturn.model.alarms import HOST
from nightturn.telemetry.commands import ACKNOWLEDGE, NAMES
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
    operators: Sequence[str] = (),
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
        operators: names of who may read and command; without any the daemon reads no commands either.
        port: of TLS.
        folder: where the files will be on the broker's machine.

    Raises:
        ConfigError: a name that could not be part of a topic or would be two users.
    """
    topics = Topics(lab, host)
    names = [user, *readers, *operators]
    for name in names:
        if not WORD.fullmatch(name):
            raise ConfigError(f"{name!r} is no name", where=WHERE, allowed=WORD.pattern)
    if len(set(names)) < len(names):
        raise ConfigError(
            "a name is there twice", where=WHERE, allowed="a name of its own for the daemon and each reader"
        )
    return BrokerFiles(_configuration(port, folder), _access(topics, user, fixtures, readers, operators))


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


def _access(
    topics: Topics, user: str, fixtures: Sequence[str], readers: Sequence[str], operators: Sequence[str]
) -> str:
    of_host = topics.host_state().removesuffix("/state")
    lines = ["# Made by `nightturn broker-config`: the daemon, then who reads.", f"user {user}"]
    for fixture in fixtures:
        below = topics.state(fixture).removesuffix("/state")
        lines += [f"topic write {below}/{ending}" for ending in OF_FIXTURES]
        lines.append(f"topic read {below}/alarm/+")
    lines += [f"topic write {of_host}/state", f"topic write {of_host}/alarm/+"]
    commanded = (*fixtures, HOST) if operators else ()
    lines += [f"topic write {of_host}/ev/+", *(f"topic read {topics.commands(each)}" for each in commanded)]
    for reader in (*readers, *operators):
        lines += ["", f"user {reader}", f"topic read {ROOT}/{MAJOR}/{topics.lab}/#"]
        for each in commanded if reader in operators else ():
            names = NAMES if each != HOST else (ACKNOWLEDGE,)
            lines += [f"topic write {topics.commands(each).removesuffix('+')}{name}" for name in names]
    return "\n".join(lines) + "\n"
