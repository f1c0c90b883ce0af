"""`nightturn demo`: a whole night of three invented fixtures in about a minute, or half a minute of real firmware."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from nightturn.cli.arguments import AsJson
from nightturn.demo.stories import Story

EXAMPLE = "nightturn demo --out nightturn-demo --hours 8 --stay"


class Device(StrEnum):
    """What plays the device."""

    VIRTUAL = "virtual"
    EMULATED = "emulated"


def run(
    *,
    out: Annotated[Path, typer.Option(help="Folder for everything the demo writes.")] = Path(
        "nightturn-demo"
    ),
    hours: Annotated[
        float, typer.Option(min=0.1, max=48.0, help="Length of the night, virtual hours.")
    ] = 8.0,
    seed: Annotated[int, typer.Option(min=0, max=999, help="Seed of the random numbers.")] = 11,
    story: Annotated[
        Story,
        typer.Option(help="What happens: the night below, or one fault of pan-a2."),
    ] = Story.NIGHT,
    device: Annotated[
        Device,
        typer.Option(help="virtual: the night; emulated: half a minute of the real firmware under QEMU."),
    ] = Device.VIRTUAL,
    firmware: Annotated[
        Path | None, typer.Option(help="With --device emulated: an image other than the checkout's.")
    ] = None,
    stay: Annotated[
        bool, typer.Option("--stay", help="Keep the page of the night open until Ctrl-C.")
    ] = False,
    listen: Annotated[
        str, typer.Option(metavar="HOST:PORT", help="Where the page is; a loopback address.")
    ] = "127.0.0.1:8742",
    as_json: AsJson = False,
) -> None:
    """Run three virtual fixtures through a night in virtual time and judge them in the morning.

    One fixture is healthy, one has a bearing spall that grows from five eighths of the night on, one has an
    intermittent bridge cable and two link outages. Everything is recorded, published to a broker on loopback (when
    mosquitto or amqtt is there) and stays on disk. Nothing turns: all fixtures are simulated.

    With --story spall, chip (of a magnet), coupling (loosens), zero (the bridge's drifts), cable or cooling (4 K of the hall) that is pan-a2's, from five
    eighths on; the others are healthy, and pan-b1 is warmed up to equilibrium, soaks, holds 2 N·m in its strokes, and is parked behind every 40 cycles.

    A page shows the night in fast motion, on a terminal or with --stay, which keeps it open afterwards. A port that is taken costs the page, not the night.

    With --device emulated one fixture is recorded for half a minute in real time instead: its device is the firmware of
    protocol/device, run by QEMU as a Cortex-M3.
    """
    from nightturn.bench.logging import set_up_logging
    from nightturn.cli.demo_text import emulated, night

    set_up_logging(errors_only=True)
    if device is Device.EMULATED:
        emulated(out, firmware, as_json=as_json)
    else:
        night(out, hours, seed, story, listen=listen, stay=stay, as_json=as_json)
