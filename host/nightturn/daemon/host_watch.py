"""What the daemon itself knows of its host, for its alarms: whether the broker is there, takes what it is given, and in time."""

import asyncio

from nightturn.alarms import conditions as known
from nightturn.bench.alarm_desk import TICK_S
from nightturn.daemon.audience import Audience
from nightturn.daemon.notifying import Notifier
from nightturn.telemetry.publisher import Counters, Publisher

AWAY = "no broker has answered for a while; what waits is delivered when one does"


async def keep_alarms(audience: Audience, notifier: Notifier | None) -> None:
    """Keep the log of alarms, send word of them and look at the broker, until cancelled."""
    running = [asyncio.create_task(audience.desk.run())]
    if notifier is not None:
        running.append(asyncio.create_task(notifier.run(audience.desk)))
    try:
        before = audience.publisher.counters if audience.publisher is not None else None
        while True:
            if audience.publisher is not None and before is not None:
                before = _broker(audience, audience.publisher, before)
            await asyncio.sleep(TICK_S)
    finally:
        for task in running:
            task.cancel()
        await asyncio.gather(*running, return_exceptions=True)


def _broker(audience: Audience, publisher: Publisher, before: Counters) -> Counters:
    now = publisher.counters
    desk = audience.desk
    desk.host(known.BROKER, there=not publisher.connected, said=AWAY)
    refused, dropped = now.refused - before.refused, now.dropped - before.dropped
    if refused:
        topic, reason = publisher.parked[-1] if publisher.parked else ("", "")
        said = (
            f"the broker did not take {topic}: {reason}"
            if topic
            else f"the broker did not take {refused} messages"
        )
        desk.host(known.REFUSED, there=True, said=said)
    if dropped:
        desk.host(known.DROPPED, there=True, said=f"{dropped} messages made room for newer ones")
    return now
