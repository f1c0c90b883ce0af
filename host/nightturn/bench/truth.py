"""The ground truth of a virtual fixture, written beside what it produced."""

from pathlib import Path

import msgspec

from nightturn.virtual.device import VirtualDevice


def write_truth(root: Path, fixture: str, run: str, device: VirtualDevice) -> Path:
    """Write `truth/<fixture>/<run>.json` under the data root and return its path."""
    path = root / "truth" / fixture / f"{run}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_truth_file(path, device)


def write_truth_file(path: Path, device: VirtualDevice) -> Path:
    """Write the truth to a file, replacing an older one, and return its path."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(device.truth_log())) + b"\n")
    return path
