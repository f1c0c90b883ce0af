"""The device sheet: canonical JSON that says what the device is, so that its frames can be read without this program."""

import hashlib
import json
from collections.abc import Sequence

from nightturn.virtual.clock import TICK_HZ
from nightturn.virtual.products import ADC_BITS, VOLTS_PER_COUNT, Product

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
INPUTS = (
    "guard_closed",
    "stop_chain_healthy",
    "drive_ready",
    "brake_released",
    "winding_shorted",
    "winding_energised",
    "index_seen",
)
EXTREMES, FIRMWARE, OUTPUTS = "extremes", "firmware", "outputs"
FEATURES = ("drive", EXTREMES, FIRMWARE, OUTPUTS, "pattern")


def sheet_of(product: Product, features: Sequence[str] = FEATURES) -> bytes:
    """The sheet of a virtual device with this product: sorted keys, no spaces, ASCII."""
    torque: dict[str, object] = {"bits": ADC_BITS, "unit": "V", "scale": repr(VOLTS_PER_COUNT)}
    if product.bridge.filter_hz:
        torque["filter_hz"] = product.bridge.filter_hz
    content = {
        "schema": 1,
        "device": f"virtual {product.name}",
        "tick_hz": TICK_HZ,
        "rates_hz": list(RATES_HZ),
        "torque": torque,
        "encoder": {
            "counts_per_rev": product.counts_per_rev,
            "absolute": True,
            "turns": product.encoder_turns,
        },
        "inputs": list(INPUTS),
        "slow": [{"no": number, "name": name, "unit": unit} for number, name, unit in SLOW_CHANNELS],
        "features": list(features),
        "limits": {"speed_rad_per_s": product.speed_max_rad_s, "torque_nm": product.rated_torque_nm},
    }
    return json.dumps(content, sort_keys=True, separators=(",", ":")).encode("ascii")


def digest_of(sheet: bytes) -> int:
    """First 8 bytes of the sheet's SHA-256, little-endian."""
    return int.from_bytes(hashlib.sha256(sheet).digest()[:8], "little")
