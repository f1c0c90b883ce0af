"""From a text like `pan15?seed=7&fault=spall@5h&drift_ppm=20` to a virtual fixture."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from urllib.parse import parse_qsl

from nightturn.errors import ConfigError
from nightturn.model.quantities import typed
from nightturn.virtual.device import RING_BYTES, Unit, VirtualDevice
from nightturn.virtual.faults import Fault, parse_faults
from nightturn.virtual.products import Product, product_named
from nightturn.virtual.sheet import EXTREMES, FIRMWARE, OUTPUTS

PREFIX = "virtual:"
OPTIONAL = frozenset({EXTREMES, FIRMWARE, OUTPUTS})  # what a device may lack


@dataclass(frozen=True, slots=True)
class DeviceSpec:
    """A virtual fixture to be; `build` may be called any number of times and gives the same fixture each time."""

    product: Product
    seed: int = 0
    faults: tuple[Fault, ...] = ()
    drift_ppm: float = 0.0
    ring_bytes: int = RING_BYTES
    unit: Unit = field(default_factory=Unit)

    def build(self, start_ns: int = 0, boot_entropy: int = 0) -> VirtualDevice:
        """Power it on at a moment of the world's monotonic clock; other entropy gives other boot ids."""
        return VirtualDevice(
            self.product,
            seed=self.seed,
            faults=self.faults,
            drift_ppm=self.drift_ppm,
            ring_bytes=self.ring_bytes,
            settings=self.unit,
            start_ns=start_ns,
            boot_entropy=boot_entropy,
        )


def _number(key: str, text: str, least: float, most: float) -> float:
    try:
        number = float(text)
    except ValueError:
        number = float("nan")
    if not least <= number <= most:
        raise ConfigError(
            f"{key} = {text!r}", where="virtual", allowed=f"a number from {typed(least)} to {typed(most)}"
        )
    return number


def _whole(key: str, text: str, least: int, most: int) -> int:
    plain = len(text) <= 12 and text.removeprefix("-").isdecimal()
    number = int(text) if plain else least - 1
    if not least <= number <= most:
        raise ConfigError(
            f"{key} = {text!r}", where="virtual", allowed=f"a whole number from {least} to {most}"
        )
    return number


def _bridge(spec: DeviceSpec, key: str, value: float) -> DeviceSpec:
    unit = spec.unit
    match key:
        case "strokes":
            unit = replace(unit, strokes=value)
        case "noise":
            unit = replace(unit, noise=value)
        case "delay_ms":
            unit = replace(unit, delay_s=value / 1e3)
        case "filter_hz":
            unit = replace(unit, filter_hz=value)
        case "zero_mv":
            unit = replace(unit, zero_v=value / 1e3)
        case _:
            unit = replace(unit, zero_drift_v_per_h=value / 1e3)
    return replace(spec, unit=unit)


_RANGES = {
    "strokes": (0.0, 1e7),
    "noise": (0.0, 1000.0),
    "delay_ms": (0.0, 100.0),
    "filter_hz": (1.0, 10_000.0),
    "zero_mv": (-5000.0, 5000.0),
    "zero_drift_mv_h": (-1000.0, 1000.0),
}


def _of_unit(key: str) -> Callable[[DeviceSpec, str], DeviceSpec]:
    return lambda spec, text: _bridge(spec, key, _number(key, text, *_RANGES[key]))


def _without(spec: DeviceSpec, text: str) -> DeviceSpec:
    features = tuple(text.split(","))
    if not set(features) <= OPTIONAL:
        allowed = f"some of {', '.join(sorted(OPTIONAL))}"
        raise ConfigError(f"without = {text!r}", where="virtual", allowed=allowed)
    return replace(spec, unit=replace(spec.unit, without=features))


def _self_test(spec: DeviceSpec, text: str) -> DeviceSpec:
    bits = _whole("self_test", text, 0, 2**32 - 1)
    return replace(spec, unit=replace(spec.unit, self_test=bits))


def _turns(spec: DeviceSpec, text: str) -> DeviceSpec:
    return replace(spec, unit=replace(spec.unit, turns=_whole("turns", text, 1, 4096)))


def _sign(key: str, text: str) -> int:
    if text not in {"1", "-1"}:
        raise ConfigError(f"{key} = {text!r}", where="virtual", allowed="1, -1")
    return int(text)


_KEYS: dict[str, Callable[[DeviceSpec, str], DeviceSpec]] = {
    "seed": lambda spec, text: replace(spec, seed=_whole("seed", text, 0, 2**31 - 1)),
    "fault": lambda spec, text: replace(spec, faults=spec.faults + parse_faults(text)),
    "drift_ppm": lambda spec, text: replace(spec, drift_ppm=_number("drift_ppm", text, -500, 500)),
    "ring_bytes": lambda spec, text: replace(spec, ring_bytes=_whole("ring_bytes", text, 2048, 2**24)),
    "polarity": lambda spec, text: replace(spec, unit=replace(spec.unit, polarity=_sign("polarity", text))),
    "encoder": lambda spec, text: replace(spec, unit=replace(spec.unit, encoder=_sign("encoder", text))),
    "turns": _turns,
    "without": _without,
    "self_test": _self_test,
    **{key: _of_unit(key) for key in _RANGES},
}


def from_spec(text: str) -> DeviceSpec:
    """The fixture that a spec describes; `fault` may be given more than once or as a list with commas.

    Raises:
        ConfigError: an unknown product or key, a value out of range; says what is allowed.
    """
    name, _, query = text.removeprefix(PREFIX).partition("?")
    spec = DeviceSpec(product_named(name))
    for key, value in parse_qsl(query.replace("+", "%2B"), keep_blank_values=True):
        take = _KEYS.get(key)
        if take is None:
            near = get_close_matches(key, _KEYS, n=1)
            hint = f" (did you mean {near[0]!r}?)" if near else ""
            raise ConfigError(f"unknown key {key!r}{hint}", where=f"virtual:{name}", allowed=", ".join(_KEYS))
        spec = take(spec, value)
    return replace(spec, faults=tuple(sorted(spec.faults, key=lambda fault: fault.at_ns)))
