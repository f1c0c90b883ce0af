"""The page of a real daemon: it answers with what the fixtures do, is started again when it is killed, and never ends a night."""

import contextlib
import os
import re
import signal
import socket
from pathlib import Path

import httpx
from tests.daemon.processes import Processes, write_bench
from tests.waiting import wait

URL = re.compile(r"the page is at (http://[\d.:]+/)")


def children(parent: int) -> list[int]:
    """Processes that a process has started, by the kernel's list."""
    text = Path(f"/proc/{parent}/task/{parent}/children").read_text("ascii")
    return [int(each) for each in text.split()]


def is_page(process: int, parent: int) -> bool:
    """Whether a process is the page: the only one here that is nicer by five."""
    with contextlib.suppress(OSError):
        return os.getpriority(os.PRIO_PROCESS, process) - os.getpriority(os.PRIO_PROCESS, parent) == 5
    return False


def answered(url: str) -> str:
    with contextlib.suppress(httpx.HTTPError):
        return httpx.get(url, timeout=10).text
    return ""


def test_a_page_is_started_again_when_it_is_killed_and_ends_with_its_daemon(
    tmp_path: Path, processes: Processes
) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "no.line"})
    bench.write_text(bench.read_text("utf-8") + '\n[web]\nlisten = "127.0.0.1:0"\n', "utf-8")
    serve = processes.start("serve", str(bench))
    serve.says("the page is at")
    url = URL.findall(serve.said)[-1]
    wait(lambda: "No unit is mounted" in answered(url), lambda: serve.said[-2000:])

    pages = [each for each in children(serve.process.pid) if is_page(each, serve.process.pid)]
    assert len(pages) == 1
    os.kill(pages[0], signal.SIGKILL)
    serve.says("the page is at", times=2)
    again = URL.findall(serve.said)[-1]
    wait(lambda: "No unit is mounted" in answered(again), lambda: serve.said[-2000:])

    assert serve.interrupt() == 0
    assert answered(again) == ""


def test_a_port_that_is_taken_costs_the_page_and_not_the_night(tmp_path: Path, processes: Processes) -> None:
    with contextlib.closing(socket.create_server(("127.0.0.1", 0))) as taken:
        port = taken.getsockname()[1]
        bench = write_bench(tmp_path, {"pan-a1": "no.line"})
        bench.write_text(bench.read_text("utf-8") + f'\n[web]\nlisten = "127.0.0.1:{port}"\n', "utf-8")
        serve = processes.start("serve", str(bench))
        serve.says("without its page")
        serve.says("waiting_for_card")

        assert f"127.0.0.1:{port}" in serve.said
        assert serve.interrupt() == 0
