"""`nightturn broker-config`: a mosquitto broker for exactly this rig and these readers."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson, BenchFile

EXAMPLE = "nightturn broker-config bench.toml --reader page --reader office --out broker"


def run(
    bench: BenchFile,
    *,
    reader: Annotated[
        list[str] | None, typer.Option("--reader", metavar="NAME", help="Who may read. Repeatable.")
    ] = None,
    operator: Annotated[
        list[str] | None,
        typer.Option("--operator", metavar="NAME", help="Who may acknowledge, pause and stop. Repeatable."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Write the files there instead of printing them.")
    ] = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Of TLS.")] = 8883,
    as_json: AsJson = False,
) -> None:
    """Write mosquitto's configuration and access list: the daemon writes its own topics, readers read, operators command, everything else is denied.

    No password and no key is written: `mosquitto_passwd` makes the passwords, and certificates are those of your lab.
    """
    from nightturn.cli.output import print_json, print_text

    named, people = _files(bench, reader or (), operator or (), port)
    if as_json:
        print_json(named)
        return
    if out is None:
        for name, text in named.items():
            typer.echo(f"==> {name} <==\n{text}")
        return
    _write(out, named)
    passwords = " and ".join(f"`mosquitto_passwd passwords {name}`" for name in people)
    print_text(f"written: {', '.join(str(out / name) for name in named)}; next: {passwords}")


def _files(
    bench: Path, readers: Sequence[str], operators: Sequence[str], port: int
) -> tuple[dict[str, str], tuple[str, ...]]:
    """The files by name, and who needs a password.

    Raises:
        ConfigError: the rig names no user, or operators could do nothing.
    """
    from nightturn.bench.runs import host_id
    from nightturn.errors import ConfigError
    from nightturn.settings.load import data_root, load_rig
    from nightturn.telemetry.broker_config import broker_files

    rig = load_rig(bench)
    if rig.mqtt is None or rig.mqtt.username is None:
        raise ConfigError("no name", where="[mqtt] username", allowed="the daemon's name to the broker")
    if operators and not rig.mqtt.commands:
        raise ConfigError(
            "this daemon takes no commands", where="[mqtt] commands", allowed="true, or no --operator"
        )
    user, host, fixtures = (
        rig.mqtt.username,
        host_id(data_root(bench, rig)),
        [each.id for each in rig.fixture],
    )
    files = broker_files(rig.bench.lab, host, user, fixtures, readers, operators=operators, port=port)
    named = {"nightturn.conf": files.configuration, "access": files.access}
    return named, (user, *readers, *operators)


def _write(out: Path, named: Mapping[str, str]) -> None:
    """The files in a folder.

    Raises:
        StorageError: they cannot be written.
    """
    from nightturn.errors import StorageError

    try:
        out.mkdir(parents=True, exist_ok=True)
        for name, text in named.items():
            (out / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise StorageError(f"{out}: {error}") from error
