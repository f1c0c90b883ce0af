"""A tape on an ext4 of its own whose power is cut: python on_cut_disk.py FOLDER, as root, in a mount namespace of its own.

The cut is the file system's own ioctl, EXT4_IOC_SHUTDOWN of Linux (fs/ext4/ext4.h: _IOR('X', 125, __u32)), with "no flush of the
log": what was not synced is gone, as from a disk whose power went. Prints what was promised and what is there as JSON.
"""

import contextlib
import fcntl
import json
import os
import struct
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.storage.scenario import FIXTURE, RUN, FixedClock, bench_signal, block_frames

from nightturn.errors import StorageError
from nightturn.storage import paths
from nightturn.storage.files import RealFiles
from nightturn.storage.journal import Journal
from nightturn.storage.segment import read_segment

DISK_BYTES = 64 * 2**20
SHUTDOWN = 0x8004587D
NO_FLUSH_OF_THE_LOG = 2
BATCH = 8
SYNC_EVERY = 12  # batches
CUT_AFTER = 40  # syncs; half of the batches to the next one later
SYNCS = 45  # that would follow if the power stayed


def mounted(image: Path, place: Path) -> None:
    """The image as a file system, with what its log still holds played back."""
    subprocess.run(["mount", "-o", "loop", str(image), str(place)], check=True)


def cut(place: Path) -> None:
    """The power goes."""
    disk = os.open(place, os.O_RDONLY)
    fcntl.ioctl(disk, SHUTDOWN, struct.pack("I", NO_FLUSH_OF_THE_LOG))
    os.close(disk)


def promised(place: Path) -> tuple[int, int]:
    """Write and sync until the power is cut: the last record that was said to be durable, and the last one written."""
    journal = Journal(RealFiles(place), FIXTURE, FixedClock())
    journal.open(1, RUN, 0, b"")
    records = block_frames(*bench_signal(BATCH * 100))
    durable, written, syncs = 0, 0, 0
    with contextlib.suppress(StorageError):
        for batch in range(SYNCS * SYNC_EVERY):
            written = journal.write(records)
            if batch % SYNC_EVERY == 0:
                durable, syncs = journal.sync().record_no, syncs + 1
            if syncs == CUT_AFTER and batch % SYNC_EVERY == SYNC_EVERY // 2:
                cut(place)
                syncs += 1
    return durable, written


def main() -> None:
    """Make the disk, cut its power while it is written to, and say what a next start finds."""
    folder = Path(sys.argv[1])
    image, place = folder / "disk", folder / "mounted"
    place.mkdir()
    with image.open("wb") as file:
        file.truncate(DISK_BYTES)
    subprocess.run(["mkfs.ext4", "-q", str(image)], check=True)
    mounted(image, place)
    durable, written = promised(place)
    subprocess.run(["umount", "--lazy", str(place)], check=True)
    os.closerange(3, 100)  # descriptors that keep the file system that was cut off
    mounted(image, place)
    files = RealFiles(place)
    folder_of = paths.journal_folder(FIXTURE)
    (name,) = [name for name in files.list(folder_of) if name.endswith(".ntj")]
    segment = read_segment(files.read(f"{folder_of}/{name}"), name)
    there = [number for number, _ in segment.records()]
    whole = there == list(range(1, there[-1] + 1))
    print(json.dumps({"durable": durable, "written": written, "there": there[-1], "whole": whole}))
    subprocess.run(["umount", str(place)], check=True)


if __name__ == "__main__":
    main()
