"""The amqtt broker as a process of its own: `python -m nightturn.demo.amqtt_child --port N`."""

import argparse
import asyncio
import logging
import signal

ANONYMOUS = "amqtt.plugins.authentication.AnonymousAuthPlugin"


async def serve(port: int) -> None:
    """Run an open broker on loopback until SIGTERM or SIGINT."""
    from amqtt.broker import Broker

    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    broker = Broker(
        {
            "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
            "plugins": {ANONYMOUS: {"allow_anonymous": True}},
        }
    )
    await broker.start()
    await stop.wait()
    await broker.shutdown()


def main() -> None:
    """Read `--port` and serve."""
    parser = argparse.ArgumentParser(description="An MQTT 3.1.1 broker on loopback.")
    parser.add_argument("--port", type=int, required=True)
    arguments = parser.parse_args()
    logging.basicConfig(level=logging.WARNING)
    asyncio.run(serve(arguments.port))


if __name__ == "__main__":
    main()
