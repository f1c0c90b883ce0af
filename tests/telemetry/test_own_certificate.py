"""A broker that wants a certificate of its clients (OASIS MQTT 5.0, 5.4.1), with one made by openssl."""

import asyncio
import gc
import subprocess
from pathlib import Path

import pytest
from structlog.testing import capture_logs
from tests.telemetry.conftest import StartMosquitto
from tests.telemetry.test_publisher import as_root
from tests.telemetry.watching import cycle, poll, publisher, running


@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
def test_a_broker_that_wants_a_certificate_lets_in_who_has_one(start: StartMosquitto, tmp_path: Path) -> None:
    certificate, key = tmp_path / "cert.pem", tmp_path / "key.pem"
    request = "openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=rig"
    names = ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run([*request.split(), *names], check=True, capture_output=True)
    wants = (f"cafile {certificate}", f"certfile {certificate}", f"keyfile {key}", "require_certificate true")

    async def story() -> None:
        port = start(extra=(*wants, "use_identity_as_username true", *as_root(tmp_path))).port
        files = {"url": f"mqtts://127.0.0.1:{port}", "cafile": str(certificate)}
        async with running(publisher(port, certfile=str(certificate), keyfile=str(key), **files)) as subject:
            subject.offer("pan-a1", cycle())
            assert await subject.drain(20)
        with capture_logs() as logs:
            async with running(publisher(port, **files)) as stranger:
                await poll(lambda: bool(logs))
                assert not stranger.connected

    asyncio.run(story())
    gc.collect()
