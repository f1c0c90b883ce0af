"""What is declared as not wired is said at every start."""

from pathlib import Path

from tests.daemon.processes import Processes, write_bench


def test_every_start_says_what_is_not_wired(tmp_path: Path, processes: Processes) -> None:
    bench = write_bench(tmp_path, {"pan-a1": "a.line"})
    for key in ("guard", "lamp"):
        bench.write_text(bench.read_text().replace("rate_hz", f'{key} = "none"\nrate_hz', 1))
    serve = processes.start("serve", str(bench))
    serve.says("bench.toml says that there is no guard, no warning lamp")
    assert serve.said.count("not_wired") == 1
    assert serve.interrupt() == 0
