"""What starting costs: `import nightturn` and `nightturn --help`, CPU seconds of a fresh process.

    python tests/benchmarks/start_times.py [--json]

Best of five, with the bound beside each. A command, not a test.
"""

import argparse
import json
import resource
import subprocess
import sys
from pathlib import Path

TIMES = 5
COMMANDS = {
    "import nightturn": ([sys.executable, "-c", "import nightturn"], 0.1),
    "nightturn --help": ([str(Path(sys.executable).with_name("nightturn")), "--help"], 0.4),
}


def cpu_s(command: list[str]) -> float:
    """CPU seconds of a child, the interpreter's own start included."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(command, check=True, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    rows = [
        (name, min(cpu_s(command) for _ in range(TIMES)), bound)
        for name, (command, bound) in COMMANDS.items()
    ]
    if given.json:
        print(json.dumps([{"name": name, "cpu_s": seen, "bound_s": bound} for name, seen, bound in rows]))
        return
    for name, seen, bound in rows:
        print(f"{name:20} {seen:6.3f} s CPU   bound {bound:.1f} s")


if __name__ == "__main__":
    main()
