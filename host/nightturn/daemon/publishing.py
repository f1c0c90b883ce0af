"""The daemon's publisher, if the rig names a broker; its troubles end no run."""

from pathlib import Path

import structlog

from nightturn.bench import runs
from nightturn.errors import NightturnError
from nightturn.model.alarms import HOST
from nightturn.settings.rig import Rig
from nightturn.telemetry.client import Timing
from nightturn.telemetry.outbox_store import NAME as OUTBOX
from nightturn.telemetry.outbox_store import OutboxStore
from nightturn.telemetry.publisher import Publisher
from nightturn.version import VERSION
from nightturn.world import World

log: structlog.stdlib.BoundLogger = structlog.get_logger()


def publisher_of(rig: Rig, root: Path, world: World, password: str | None, boot: str) -> Publisher | None:
    """A publisher under `boot`, a word that only this start of the daemon has.

    Raises:
        ConfigError: the broker's address or a name cannot be used.
    """
    if rig.mqtt is None:
        return None
    return Publisher(
        rig.mqtt,
        lab=rig.bench.lab,
        host=runs.host_id(root),
        bench=runs.bench_word(root),
        daemon_boot=boot,
        utc_ns=world.clock.utc_ns,
        version=VERSION,
        password=password,
        timing=Timing(keepalive_s=rig.mqtt.keepalive_s),
        commanded=(*(each.id for each in rig.fixture), HOST) if rig.mqtt.commands else (),
        store=OutboxStore(root / OUTBOX),
    )


async def publish(publisher: Publisher) -> None:
    """Telemetry never ends a run: what it cannot put right by itself is logged."""
    try:
        await publisher.run()
    except NightturnError as error:
        _publisher_failed(error)


def _publisher_failed(error: NightturnError) -> None:
    log.error(
        "mqtt_ended", why=str(error), next="correct [mqtt] in the rig file and restart; recording goes on"
    )
