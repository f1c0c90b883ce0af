"""`nightturn linktest`: a device and its line, proven before anything turns."""

from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson

EXAMPLE = "nightturn linktest /dev/serial/by-id/usb-pan-a1 --seconds 10"


def run(
    port: Annotated[
        str,
        typer.Argument(
            metavar="PORT",
            help="As in a rig file: a serial device, socket://host:port, virtual:pan15?seed=7.",
        ),
    ],
    *,
    seconds: Annotated[float, typer.Option(min=0.5, max=3600.0, help="How long the pattern streams.")] = 10.0,
    rate: Annotated[
        int | None, typer.Option(min=1, help="Samples a second; otherwise the highest that fits the line.")
    ] = None,
    baud: Annotated[
        int | None, typer.Option(min=1, help="Bit rate of a UART; USB and sockets ignore it.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Open a device, print everything it says about itself, and prove its line with the test pattern.

    Every sample of the pattern is compared bit for bit; what is missing, was repaired or is out of order is reported
    with its cause. Nothing is moved: no motion lease and no drive command is sent (the motion lease is not a safety
    function), and the device is closed at the end. Events it had kept are printed, and it keeps them no longer.

    Ends with 0 when not a single bit was wrong and nothing was lost, with 1 when something was, or after Ctrl-C.
    """
    import secrets

    from nightturn.cli.linktest_text import answers, show
    from nightturn.cli.output import print_json
    from nightturn.linktest.shell import run_link_test
    from nightturn.linktest.stream_choice import Wanted
    from nightturn.transport.serial_port import DEFAULT_BAUD

    wanted = Wanted(seconds, rate, baud or DEFAULT_BAUD, declared=baud is not None)
    report = run_link_test(port, wanted, secrets.randbits(32), answers(quiet=as_json))
    if as_json:
        print_json(report)
    else:
        show(report)
    if not report.ok:
        raise typer.Exit(1)
