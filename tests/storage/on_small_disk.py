"""A station on a file system of 24 MB that fills up and is given room again: python on_small_disk.py FOLDER, in a mount namespace of its own.

The disk is a real one to the product: the kernel says ENOSPC, and short writes come as they come. Prints what happened as JSON.
"""

import asyncio
import json
import os
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.simulation.scene import Scene, open_scene, run

from nightturn.storage.verify import verify

DISK_BYTES = 24 * 2**20
LEFT_BYTES = 400_000  # for the station: about a minute of tape
FULL_S = 20.0
SOON_S = 3.0  # a sync later


def free(root: Path) -> int:
    """Bytes that the disk has left."""
    disk = os.statvfs(root)
    return disk.f_bavail * disk.f_frsize


def filled(root: Path, name: str, left_bytes: int) -> Path:
    """A file that leaves so little, and is not the product's."""
    ballast = root.parent / name
    with ballast.open("wb") as file:
        os.posix_fallocate(file.fileno(), 0, free(root) - left_bytes)
    return ballast


def main() -> None:
    """Mount, fill, free, and say what became of the run."""
    disk = Path(sys.argv[1])
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(disk)], check=True)
    root = disk / "nights"
    said: dict[str, object] = {}

    async def act() -> None:
        scene = open_scene(root)
        await scene.until(lambda: scene.motion == "turning", 80)
        ballast = [filled(root, "most", LEFT_BYTES)]
        await scene.until(lambda: scene.count("tape_off") == 1, 400)
        said["moving_when_short"] = scene.moving
        await asyncio.sleep(SOON_S)
        ballast.append(filled(root, "rest", 0))
        before = scene.station.durable_through
        await asyncio.sleep(FULL_S)
        said["free_when_full"] = free(root)
        said["durable_when_full"] = scene.station.durable_through - before
        for each in ballast:
            each.unlink()
        await scene.until(lambda: scene.count("tape_on") == 1, 120)
        await scene.until(lambda: scene.station.core.state.device.streams, 120)
        await asyncio.sleep(30.0)
        said.update(_stands(scene))
        await scene.station.close()

    run(act)
    (report,) = verify(root, run="all").runs
    said |= {"problems": report.problems, "stored": report.stored, "missing": report.missing}
    print(json.dumps(said))


def _stands(scene: Scene) -> dict[str, object]:
    return {
        "motion": scene.motion,
        "moving": scene.moving,
        "why": scene.why_locked,
        "kinds": scene.kinds,
        "batches_lost": scene.station.losses.batches,
        "gaps": [[gap.cause, gap.n_missing] for gap in scene.gaps],
    }


if __name__ == "__main__":
    main()
