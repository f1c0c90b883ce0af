"""`nightturn ports`: what can be written as `port` into a rig file."""

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn ports"


def run(*, as_json: AsJson = False) -> None:
    """List the serial ports of this machine, by the name that stays the same when a device is plugged in again."""
    from nightturn.cli.output import print_json, print_text
    from nightturn.transport.ports import NO_PERMISSION, NO_PORTS, serial_ports

    found = serial_ports()
    if as_json:
        print_json(found)
        return
    if not found:
        print_text(NO_PORTS)
        return
    words = {True: "ready", False: "no permission"}
    for entry in found:
        typer.echo(entry.port)
        said = f", says {entry.description}" if entry.description else ""
        print_text(f"{words[entry.permitted]}, now {entry.device}{said}", "  ")
    if not all(entry.permitted for entry in found):
        print_text(NO_PERMISSION)
