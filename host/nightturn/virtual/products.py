"""The invented products: what each virtual unit is, in the numbers of its parts."""

from dataclasses import dataclass, field
from difflib import get_close_matches

from nightturn.errors import ConfigError

Orders = tuple[tuple[int, float], ...]

ADC_BITS = 24
ADC_SPAN_V = 20.0  # -10 V to +10 V
VOLTS_PER_COUNT: float = ADC_SPAN_V / (1 << ADC_BITS)
RAIL_HIGH: int = (1 << (ADC_BITS - 1)) - 1
RAIL_LOW: int = -(1 << (ADC_BITS - 1))


@dataclass(frozen=True, slots=True)
class FrictionParts:
    """Friction of the shaft: Coulomb, static and viscous parts, and how they change.

    Attributes:
        coulomb_nm, static_nm: at 25 °C, new.
        stribeck_rad_s: speed at which the static surplus has fallen to 1/e.
        viscous_nm_s: per rad/s.
        bristle_nm_per_rad: stiffness of presliding.
        per_kelvin: relative fall per kelvin above 25 °C; -0.8 %/K is from memory.
        wear_per_10k, run_in, run_in_strokes: Tc = Tc0·(1 + wear·N/1e4 + run_in·(1 - e^(-N/run_in_strokes))).
    """

    coulomb_nm: float
    static_nm: float
    stribeck_rad_s: float
    viscous_nm_s: float
    bristle_nm_per_rad: float = 60.0
    per_kelvin: float = -0.008
    wear_per_10k: float = 0.04
    run_in: float = -0.03
    run_in_strokes: float = 400.0


@dataclass(frozen=True, slots=True)
class Bridge:
    """Transducer, amplifier and converter.

    Attributes:
        factor_nm_per_v: of the transducer.
        zero_v, zero_drift_v_per_h, zero_v_per_k: offset, its drift with time and with amplifier temperature over 25 °C.
        white_v: rms per sample; flicker_v: rms per octave of time; hum_v: amplitude at `hum_hz`.
        delay_s: group delay of the filter before the converter.
        filter_hz: corner of a low-pass of one pole there, which the sheet names; 0 for none. Of torque over angle only: how it
            rounds off starts and reversals is left out.
        excitation_v, gain: supply of the bridge, and amplification of its output before the converter.
        arm_ohm, shunt_ohm: one arm of the bridge, and what the shunt relay lays across it.
    """

    factor_nm_per_v: float = 4.0
    zero_v: float = 0.012
    zero_drift_v_per_h: float = 5e-4
    zero_v_per_k: float = 1e-4
    white_v: float = 2.5e-4
    flicker_v: float = 1.5e-5
    hum_v: float = 1e-4
    hum_hz: float = 50.02
    delay_s: float = 5e-4
    filter_hz: float = 0.0
    excitation_v: float = 5.0
    gain: float = 500.0
    arm_ohm: float = 350.0
    shunt_ohm: float = 109_200.0

    @property
    def shunt_v(self) -> float:
        """What the shunt relay adds at the converter: the unbalance of a bridge with one arm lowered, amplified.

        The arm in parallel with the resistor is R Rs / (R + Rs), so the divider it stands in gives E Rs / (R + 2 Rs) in
        place of E / 2.
        """
        lowered = self.arm_ohm * self.shunt_ohm / (self.arm_ohm + self.shunt_ohm)
        divider = lowered / (lowered + self.arm_ohm)
        return self.gain * self.excitation_v * (0.5 - divider)


@dataclass(frozen=True, slots=True)
class Heat:
    """First-order thermal model: housing to ambient, winding and bearing above the housing."""

    ambient_degc: float = 22.0
    ambient_swing_k: float = 1.5
    housing_j_per_k: float = 900.0
    housing_k_per_w: float = 1.6
    winding_k_per_w: float = 0.9
    winding_s: float = 90.0
    bearing_k_per_w: float = 6.0
    bearing_s: float = 240.0
    copper_w_per_nm2: float = 0.18


@dataclass(frozen=True, slots=True)
class Product:
    """One virtual product; amplitudes are peak values by mechanical order.

    Attributes:
        cogging: N·m, unpowered.
        ripple: relative to the set torque.
        bearing_order: ball pass order of the outer race, not quite a whole number.
        spall_nm: depth of the pulses a grown bearing defect makes; chip_nm: torque as a magnet that lacks a piece passes a slot.
        short_drag_nm_s: viscous drag of the shorted winding.
    """

    name: str
    rated_torque_nm: float
    pole_pairs: int
    slots: int
    inertia_kg_m2: float
    stiffness_nm_per_rad: float
    damping_nm_s_per_rad: float
    friction: FrictionParts
    cogging: Orders
    ripple: Orders
    bearing_order: float
    spall_nm: float
    short_drag_nm_s: float
    speed_max_rad_s: float = 62.8
    counts_per_rev: int = 2**20
    encoder_turns: int = 1  # that it tells apart after a start
    chip_nm: float = 0.03
    bridge: Bridge = field(default_factory=Bridge)
    heat: Heat = field(default_factory=Heat)

    @property
    def counts_per_nm(self) -> float:
        """ADC counts per newton metre."""
        return 1.0 / (self.bridge.factor_nm_per_v * VOLTS_PER_COUNT)


def outer_race_order(balls: int, ball_to_pitch: float) -> float:
    """Ball passes over a point of the outer race in one revolution of the inner ring, contact angle 0."""
    return balls / 2 * (1.0 - ball_to_pitch)


PAN15 = Product(
    name="pan15",
    rated_torque_nm=15.0,
    pole_pairs=16,
    slots=36,
    inertia_kg_m2=0.012,
    stiffness_nm_per_rad=4000.0,
    damping_nm_s_per_rad=1.2,
    friction=FrictionParts(0.08, 0.11, 0.05, 0.02),
    cogging=((1, 0.002), (2, 0.0015), (32, 0.003), (36, 0.004), (288, 0.020), (576, 0.006)),
    ripple=((16, 0.0004), (32, 0.0005), (96, 0.0008), (192, 0.0003)),
    bearing_order=outer_race_order(22, 0.09),
    spall_nm=0.080,
    short_drag_nm_s=0.6,
)
PAN20 = Product(
    name="pan20",
    rated_torque_nm=20.0,
    pole_pairs=20,
    slots=48,
    inertia_kg_m2=0.02,
    stiffness_nm_per_rad=6000.0,
    damping_nm_s_per_rad=1.9,
    friction=FrictionParts(0.16, 0.22, 0.05, 0.03),
    cogging=((1, 0.002), (2, 0.002), (40, 0.003), (48, 0.004), (240, 0.030), (480, 0.005)),
    ripple=((20, 0.0004), (40, 0.0004), (120, 0.0008), (240, 0.0003)),
    bearing_order=outer_race_order(26, 0.075),
    spall_nm=0.110,
    short_drag_nm_s=0.9,
)
PAN2 = Product(
    name="pan2",
    rated_torque_nm=2.0,
    pole_pairs=7,
    slots=12,
    inertia_kg_m2=4e-4,
    stiffness_nm_per_rad=600.0,
    damping_nm_s_per_rad=0.085,
    friction=FrictionParts(0.015, 0.020, 0.05, 0.003, bristle_nm_per_rad=12.0),
    cogging=((1, 0.0004), (2, 0.0003), (12, 0.0008), (14, 0.0006), (84, 0.012), (168, 0.002)),
    ripple=((7, 0.0008), (14, 0.0008), (42, 0.0015), (84, 0.0006)),
    bearing_order=outer_race_order(14, 0.15),
    spall_nm=0.030,
    chip_nm=0.006,
    short_drag_nm_s=0.05,
    heat=Heat(housing_j_per_k=220.0, housing_k_per_w=4.0, copper_w_per_nm2=1.5),
)
PRODUCTS: dict[str, Product] = {product.name: product for product in (PAN15, PAN20, PAN2)}


def product_named(name: str) -> Product:
    """The product of that name.

    Raises:
        ConfigError: there is none.
    """
    try:
        return PRODUCTS[name]
    except KeyError:
        near = get_close_matches(name, PRODUCTS, n=1)
        hint = f" (did you mean {near[0]!r}?)" if near else ""
        raise ConfigError(
            f"no virtual product is called {name!r}{hint}", where="virtual", allowed=", ".join(PRODUCTS)
        ) from None
