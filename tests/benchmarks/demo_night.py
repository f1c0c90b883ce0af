"""How long the demo's night of eight hours takes, and what it leaves on disk.

    python tests/benchmarks/demo_night.py [--hours 8] [--json]

Runs `nightturn demo` in a temporary folder. A command, not a test.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BOUND_S = 90.0


def main() -> None:
    """Run the demo, print seconds and bytes."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=float, default=8.0)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    command = [
        str(Path(sys.executable).with_name("nightturn")),
        "demo",
        "--json",
        "--hours",
        str(given.hours),
    ]
    with tempfile.TemporaryDirectory() as folder:
        begin_s = time.monotonic()
        done = subprocess.run([*command, "--out", folder], check=True, capture_output=True, text=True)
        real_s = time.monotonic() - begin_s
        night = json.loads(done.stdout)
        raw = sum(path.stat().st_size for path in Path(folder).glob("nights/raw/**/*.parquet"))
    outcome = {
        "hours": given.hours,
        "real_s": real_s,
        "samples": night["samples"],
        "raw_bytes_per_sample": raw / night["samples"],
        "verdicts": {line["fixture"]: line["verdict"] for line in night["fixtures"]},
    }
    if given.json:
        print(json.dumps({"outcome": outcome, "bound_s": BOUND_S}))
        return
    print(f"night of {given.hours:g} h: {real_s:.1f} s   bound {BOUND_S:.0f} s for 8 h on two idle cores")
    print(f"{night['samples']} samples, {outcome['raw_bytes_per_sample']:.3f} B a sample in raw chunks")
    print(f"verdicts: {outcome['verdicts']}")


if __name__ == "__main__":
    main()
