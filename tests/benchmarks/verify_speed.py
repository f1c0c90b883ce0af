"""How fast and in how much memory `verify` reads a run back: `python tests/benchmarks/verify_speed.py [--minutes 60] [--rate-factor 1] [--json]`.

A run at 10 kS/s in chunks of five minutes with its sealed tape; `--rate-factor 5` puts five times as many samples into a chunk. Each pass is
a process of its own; best CPU and wall time, greatest resident memory. It prints the bound beside each and asserts nothing.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.storage.store import Night

PASSES = 3
CHUNK_SAMPLES = 3_000_000
BOUND_MS_PER_S, BOUND_MB = 20.0, 300.0
PASS = r"""
import re, sys, time
from pathlib import Path
from nightturn.storage.verify import verify
cpu, wall = time.process_time(), time.perf_counter()
report = verify(sys.argv[1])
cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
assert report.ok and report.runs[0].segments == report.runs[0].chunks, report
kib = re.search(r"VmHWM:\s+(\d+)", Path("/proc/self/status").read_text())[1]  # the system's own would count who started it
print(report.runs[0].stored, cpu, wall, kib)
"""


def measured(root: Path) -> dict[str, float]:
    """The best of several passes over a root: million samples by CPU second and by second, and MB of memory."""
    passes = []
    for _ in range(PASSES):
        said = subprocess.run(
            [sys.executable, "-c", PASS, str(root)], check=True, capture_output=True, text=True
        )
        samples, cpu, wall, kib = (float(each) for each in said.stdout.split())
        passes.append((samples / 1e6 / cpu, samples / 1e6 / wall, kib * 1024 / 1e6))
    by_cpu, by_wall, memory = zip(*passes, strict=True)
    return {"MS per CPU s": max(by_cpu), "MS per s": max(by_wall), "peak memory, MB": max(memory)}


def main() -> None:
    """Record, verify, print."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--minutes", type=int, default=60)
    parser.add_argument("--rate-factor", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        night = Night(Path(scratch))
        for _ in range(asked.minutes // 5):
            night.add_chunk(CHUNK_SAMPLES * asked.rate_factor)
        night.files.close()
        found = measured(Path(scratch))
    if asked.json:
        print(json.dumps(found))
        return
    bounds = {"MS per s": f">= {BOUND_MS_PER_S}", "peak memory, MB": f"< {BOUND_MB}"}
    for name, value in found.items():
        print(f"{name:20} {value:8.1f}  {bounds.get(name, '')}")
    print(f"load of the machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")


if __name__ == "__main__":
    main()
