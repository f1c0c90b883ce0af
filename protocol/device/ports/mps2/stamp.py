"""Writes the CRC-32C of an image as the four bytes that the image will carry behind itself.

Run by make as `python stamp.py IMAGE.bin STAMP.bin`. Standard library only: whoever builds firmware need not have the host.
"""

import sys
from pathlib import Path

POLYNOMIAL = 0x82F63B78  # Castagnoli, reflected, as in RFC 3720
STAMP_BYTES = 4
ARGUMENTS = 3


def crc32c(content: bytes) -> int:
    """CRC-32C of some bytes."""
    crc = 0xFFFFFFFF
    for byte in content:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ (POLYNOMIAL if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def main() -> int:
    """Read the image, write the stamp."""
    if len(sys.argv) != ARGUMENTS:
        print(__doc__, file=sys.stderr)  # noqa: T201  a build step talks on its terminal
        return 2
    image, stamp = (Path(word) for word in sys.argv[1:])
    stamp.write_bytes(crc32c(image.read_bytes()).to_bytes(STAMP_BYTES, "little"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
