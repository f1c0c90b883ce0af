"""What `nightturn users` does and prints."""

import time
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path

import msgspec

from nightturn.cli.output import print_json, print_table, print_text
from nightturn.daemon.control_client import ask, new_request
from nightturn.daemon.control_protocol import AUDIT
from nightturn.errors import ConfigError, DeviceError, RunNotFoundError
from nightturn.web.people import People, Role


def done(root: Path, what: str, name: str, role: str, *, as_json: bool) -> None:
    """Do what is asked.

    Raises:
        ConfigError: a name is missing, unknown or not usable.
        RunNotFoundError: there is no such data root.
    """
    if not root.is_dir():
        raise RunNotFoundError(f"{root} is not a folder; give the data root (`data` in bench.toml)")
    people = People(root)
    if what == "list":
        _list(people, as_json=as_json)
        return
    if not name:
        raise ConfigError("is missing", where="NAME", allowed='a person, such as "R. Vale"')
    if what == "revoke":
        if not people.revoke(name):
            known = ", ".join(each.name for each in people.listed()) or "nobody"
            raise ConfigError(f"{name!r} is not known", where="NAME", allowed=known)
        _audit(root, "user_revoked", name, f"{name} may not sign in any more, by the command line")
        said = {"name": name, "revoked": True}
        print_json(said) if as_json else print_text(f"{name}: revoked, with every session")
        return
    code = people.add(name, Role(role), time.time_ns() / 1e9)
    _audit(root, "user_added", name, f"{name} may sign in as {role}, by the command line")
    if as_json:
        print_json({"name": name, "role": role, "code": code})
    else:
        print_text(
            f"{name}, {role}: set-up code {code}, good once and for 24 h; the page's `Sign in` asks for it"
        )


def _audit(root: Path, word: str, name: str, said: str) -> None:
    """A line of the alarms' log, which the daemon keeps; without one there is no page that anybody could act from."""
    with suppress(DeviceError):
        ask(root, msgspec.structs.replace(new_request(AUDIT, operator=name, reason=said), alarm=word))


def _list(people: People, *, as_json: bool) -> None:
    found = people.listed()
    if as_json:
        print_json([asdict(each) for each in found])
    elif not found:
        print_text("nobody may sign in; `nightturn users add` makes the first")
    else:
        rows = [
            (each.name, each.role, "yes" if each.set_up else "not yet", str(each.sessions)) for each in found
        ]
        print_table("who may sign in on the page", ("name", "role", "password chosen", "sessions"), rows)
