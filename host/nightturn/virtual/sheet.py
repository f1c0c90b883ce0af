"""The device sheet: canonical JSON that says what the device is, so that its frames can be read without this program."""

import hashlib
import json

from nightturn.virtual.clock import TICK_HZ
from nightturn.virtual.products import ADC_BITS, VOLTS_PER_COUNT, Product
from nightturn_protocol import messages as wire

RATES_HZ = (100, 200, 250, 500, 1000, 2000, 2500, 5000, 10_000, 20_000, 25_000, 50_000)
SLOW_CHANNELS = (
    (0, "housing", "degC"),
    (1, "winding", "degC"),
    (2, "bearing", "degC"),
    (3, "bridge", "degC"),
    (4, "ambient", "degC"),
    (5, "supply", "V"),
    (6, "excitation", "V"),
)


def sheet_of(product: Product) -> bytes:
    """The sheet of a virtual device with this product: sorted keys, no spaces, ASCII."""
    content = {
        "format": 1,
        "device": "virtual",
        "product": product.name,
        "tick_hz": TICK_HZ,
        "rates_hz": list(RATES_HZ),
        "torque": {"bits": ADC_BITS, "unit": "V", "scale": VOLTS_PER_COUNT, "offset": 0.0},
        "encoder": {"counts_per_rev": product.counts_per_rev, "reference": "absolute"},
        "slow": [{"channel": number, "name": name, "unit": unit} for number, name, unit in SLOW_CHANNELS],
        "features": ["drive", "firmware", "outputs", "pattern"],
        "limits": {"speed_rad_s": product.speed_max_rad_s, "torque_nm": product.rated_torque_nm},
        "events": {code.name.lower(): int(code) for code in wire.EventCode},
    }
    return json.dumps(content, sort_keys=True, separators=(",", ":")).encode("ascii")


def digest_of(sheet: bytes) -> int:
    """First 8 bytes of the sheet's SHA-256, little-endian."""
    return int.from_bytes(hashlib.sha256(sheet).digest()[:8], "little")
