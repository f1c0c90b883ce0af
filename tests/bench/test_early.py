"""Nothing is imported once a bench runs: whatever turns beside it would wait for that."""

import subprocess
import sys
from pathlib import Path

import msgspec

RUNS = """
import asyncio, gc, json, sys
from pathlib import Path
from tests.simulation.scene import open_scene, run, settings_of
from nightturn.bench.worlds import real_world, shut_down

root = Path(sys.argv[1])
if sys.argv[2] == "early":
    shut_down(real_world(root))
known, looked_at = set(sys.modules), len(gc.get_objects())

async def act():
    scene = open_scene(root, settings=settings_of(chunk_s=20.0))
    await scene.until(lambda: len(scene.tally.cycles.get("pan-a1", [])) > 0)
    await scene.station.close()
    print(json.dumps({"kinds": scene.kinds, "new": sorted(set(sys.modules) - known), "looked_at": looked_at}))

run(act)
"""


class Played(msgspec.Struct):
    """What happened in a cycle, what was imported in it, and how many objects a full round of the collector looks at before it."""

    kinds: list[str]
    new: list[str]
    looked_at: int


def played(folder: Path, word: str) -> Played:
    """A cycle with its shunt check, cuts and seals, in an interpreter of its own."""
    folder.mkdir()
    command = [sys.executable, "-c", RUNS, str(folder), word]
    done = subprocess.run(command, capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2])
    return msgspec.json.decode(done.stdout, type=Played)


def test_a_bench_of_the_real_world_imports_nothing_more_in_a_cycle_and_its_modules_are_not_looked_at_again(
    tmp_path: Path,
) -> None:
    early, late = played(tmp_path / "early", "early"), played(tmp_path / "late", "late")

    assert "shunt_check" in early.kinds
    assert early.kinds == late.kinds
    assert "scipy.special" in late.new  # else this would show nothing
    # seals, and with them Arrow, are the work of another process there
    assert [name for name in early.new if not name.startswith("pyarrow.")] == []
    assert late.looked_at > 30_000  # else this would show nothing either
    assert early.looked_at < late.looked_at / 10
