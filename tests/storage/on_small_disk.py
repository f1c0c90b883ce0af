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


def filled(root: Path) -> Path:
    """A file that leaves so little, and is not the product's."""
    ballast = root.parent / "ballast"
    with ballast.open("wb") as file:
        free = os.statvfs(root).f_bavail * os.statvfs(root).f_frsize
        os.posix_fallocate(file.fileno(), 0, free - LEFT_BYTES)
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
        ballast = filled(root)
        await scene.until(lambda: scene.station.losses.batches > 0, 600)
        said["free_when_full"] = os.statvfs(root).f_bavail * os.statvfs(root).f_frsize
        await asyncio.sleep(FULL_S)
        said["moving_when_full"] = scene.moving
        ballast.unlink()
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
        "gaps": [[gap.cause, gap.n_missing] for gap in scene.gaps],
    }


if __name__ == "__main__":
    main()
