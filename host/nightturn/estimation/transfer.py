"""What lies between the unit's torque and the converter, taken off each order again where it is known well enough.

*Resonance.* Below half of it a spring with the unit's inertia behind it shows 1 / (1 - r²) of a torque, r being the share of
the resonance, whatever the damping (the undamped transmissibility of any textbook of vibration, for instance
J. P. Den Hartog, Mechanical Vibrations, 2.12; from memory). Above, damping decides and nothing is corrected.

*Filter.* A low-pass of order m leaves 1 / √(1 + r^2m) of an order, r being the share of its corner, where 0.707 is left: one
pole with m = 1, Butterworth's two with m = 2. It delays it as well, by the angle of 1 + jr or of 1 - r² + j√2 r
(S. Butterworth, Experimental Wireless 7, 1930, 536-541; both from memory). Delays that differ from order to order are
no lag that could be removed as one, so they are undone order by order.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from math import hypot, sqrt

import numpy as np

from nightturn.estimation.conditions import Conditions
from nightturn.estimation.extremes import Lines
from nightturn.estimation.families import Faint
from nightturn.estimation.localised import Localised
from nightturn.estimation.turns import Complex128s
from nightturn.estimation.waveform import peak_to_peak
from nightturn.model.quantities import number
from nightturn.model.tiles import Float64s, Int64s

CORRECTED_SHARE = 0.5
"""An order above this share of the resonance is not corrected."""
RESONANCE_U_REL = 0.02
"""Standard uncertainty of a declared resonance, relative; an assumption, no record states it."""
FILTER_REACH = 2.0
"""Times the corner up to which orders are corrected: 0.45 is left of an order there behind one pole, 0.24 behind two."""
RESONANCE, FILTER, RIG = "resonance", "filter", "rig record"
RESONANCE_SOURCE = f"declared resonance, taken as known to {number(100 * RESONANCE_U_REL)} %"

NO_ORDERS = np.zeros(0, np.int64)


@dataclass(frozen=True, slots=True)
class Response:
    """What becomes of each order, (orders,) from 0: how many times its size is read, and by which angle it is late, rad."""

    gain: Float64s
    late_rad: Float64s

    def at(self, orders: Int64s, way: int) -> Complex128s:
        """The factor of these orders (k,) in a pass of this sense; with 0 without the delay."""
        return np.asarray(self.gain[orders] * np.exp(-1j * way * self.late_rad[orders]), np.complex128)


@dataclass(frozen=True, slots=True)
class RigOrders:
    """What the rig makes by itself in a pass, as its record says it: orders (k,), amplitudes (k,) as they lie in this pass's angle.

    `u_nm` (k,) is the standard uncertainty of each component; `source` names the record. `late_u_rad` is that of the angle by which
    this pass reads all of them late.
    """

    orders: Int64s
    amplitudes: Complex128s
    u_nm: Float64s
    source: str = ""
    late_u_rad: float = 0.0

    def turned(self, by_rad: float) -> "RigOrders":
        """The same read later by an angle."""
        return replace(self, amplitudes=self.amplitudes * np.exp(-1j * self.orders * by_rad))


@dataclass(frozen=True, slots=True)
class Doubt:
    """One thing that the response rests on: its name, where it is known from, and the response with it lower and higher by its u."""

    name: str
    source: str
    low: Response
    high: Response


@dataclass(frozen=True, slots=True)
class DoubtOf:
    """What one doubt contributes to the standard uncertainty of a peak-to-peak and of an rms."""

    name: str
    source: str
    pp_u_nm: float
    rms_u_nm: float


@dataclass(frozen=True, slots=True)
class Transfer:
    """The response at one speed and what it rests on.

    `way` is the sense of the pass that amplitudes are of, +1 or -1; 0 where they are the mean of both, whose delay
    went when they were aligned. `rig` is taken off what is led back; its orders have to be among the lines.
    """

    response: Response
    doubts: tuple[Doubt, ...] = ()
    way: int = 0
    rig: RigOrders | None = None

    @property
    def gain(self) -> Float64s:
        """How many times its size each order is read: (orders,) from 0."""
        return self.response.gain

    @property
    def late_rad(self) -> Float64s:
        """By which angle of its own the filter delays each order: (orders,) from 0."""
        return self.response.late_rad

    @property
    def undelayed(self) -> tuple[Complex128s, Complex128s]:
        """What turns orders (orders,) of a forward and of a backward pass back by the filter's delay."""
        turn = np.exp(1j * self.late_rad)
        return turn, np.conj(turn)

    @property
    def asked(self) -> Int64s:
        """The orders that are wanted whether they stand out or not."""
        return NO_ORDERS if self.rig is None else self.rig.orders

    def torque(self, amplitudes: Complex128s) -> Complex128s:
        """Amplitudes (orders,) from 0 as they are at the unit."""
        every = np.arange(len(amplitudes))
        out = np.asarray(amplitudes / self.response.at(every, self.way), np.complex128)
        if self.rig is not None:
            out[self.rig.orders] -= self.rig.amplitudes
        return out

    def gross(self, lines: Lines) -> Lines:
        """Orders led back to the unit's end, the rig's own still in them."""
        return _through(lines, self.response, self.way)

    def lines(self, lines: Lines) -> Lines:
        """Orders as they are at the unit."""
        return self._net(self.gross(lines))

    def _net(self, lines: Lines) -> Lines:
        if self.rig is None:
            return lines
        amplitudes = lines.amplitudes.copy()
        amplitudes[np.searchsorted(lines.orders, self.rig.orders)] -= self.rig.amplitudes
        return Lines(lines.orders, amplitudes, lines.variance)

    def faint(self, faint: Faint) -> Faint:
        """Faint orders as they are at the unit."""
        factor = self.response.at(faint.orders, self.way)
        return replace(
            faint,
            amplitudes=np.asarray(faint.amplitudes / factor, np.complex128),
            noise=faint.noise / self.gain[faint.orders] ** 2,
        )

    def local(self, local: Localised | None) -> Localised | None:
        """A localised deviation as it is at the unit."""
        if local is None:
            return None
        every = np.arange(len(local.noise))
        return replace(
            local,
            spectrum=np.asarray(local.spectrum / self.response.at(every, self.way), np.complex128),
            noise=local.noise / self.gain[every] ** 2,
        )

    def doubts_of(self, lines: Lines) -> tuple[DoubtOf, ...]:
        """What each doubt contributes to peak-to-peak and rms; `lines` as they are read."""
        found = [self._doubt_of(doubt, lines) for doubt in self.doubts]
        return (*found, self._rig_of(self.rig, lines)) if self.rig is not None else tuple(found)

    def _rig_of(self, rig: RigOrders, lines: Lines) -> DoubtOf:
        """The record's own uncertainty moves each of its orders in any direction; that of the lag turns all of them at once."""
        net = self.lines(lines)
        at = np.searchsorted(net.orders, rig.orders)
        variance = np.zeros(len(net.orders))
        variance[at] = rig.u_nm**2
        span_u = peak_to_peak(net.orders, net.amplitudes, variance).u_nm
        size = float(np.sqrt((np.abs(net.amplitudes) ** 2).sum() / 2))
        moved = float(np.sqrt((np.abs(net.amplitudes[at]) ** 2 * rig.u_nm**2).sum()))
        size_u = moved / (2 * size) if size > 0 else moved
        if rig.late_u_rad > 0:
            spans, sizes = self._turned(rig, lines)
            span_u, size_u = hypot(span_u, spans), hypot(size_u, sizes)
        return DoubtOf(RIG, rig.source, span_u, size_u)

    def _turned(self, rig: RigOrders, lines: Lines) -> tuple[float, float]:
        """How far the lag's uncertainty moves peak-to-peak and rms, root mean square of earlier and later by it."""
        turned = [replace(self, rig=rig.turned(by)) for by in (0.0, -rig.late_u_rad, rig.late_u_rad)]
        read = [_sizes(each.lines(lines)) for each in turned]
        spans, sizes = ([one[at] - read[0][at] for one in read[1:]] for at in (0, 1))
        return hypot(*spans) / sqrt(2.0), hypot(*sizes) / sqrt(2.0)

    def _doubt_of(self, doubt: Doubt, lines: Lines) -> DoubtOf:
        low, high = (_sizes(self._net(self._as_if(lines, response))) for response in (doubt.low, doubt.high))
        return DoubtOf(doubt.name, doubt.source, abs(high[0] - low[0]) / 2, abs(high[1] - low[1]) / 2)

    def _as_if(self, lines: Lines, response: Response) -> Lines:
        """Orders led back through another response than the one by which both directions were turned before their mean."""
        out = _through(lines, response, self.way)
        if self.way:
            return out
        left = np.cos(_apart_rad(self.response, response, lines.orders, lines.amplitudes))
        return Lines(out.orders, np.asarray(out.amplitudes / left, np.complex128), out.variance / left**2)

    def apart_rad(self, amplitudes: Complex128s) -> Float64s:
        """By which angle doubts leave the directions apart at each order (orders,) of such amplitudes, root sum of squares."""
        every = np.arange(len(amplitudes))
        sides = [
            [_apart_rad(self.response, side, every, amplitudes) for side in (doubt.low, doubt.high)]
            for doubt in self.doubts
        ]
        return np.sqrt(sum(((low - high) ** 2 / 4 for low, high in sides), np.zeros(len(every))))


def transfer_of(
    conditions: Conditions, speed_rpm: float, highest: int, way: int = 0, rig: RigOrders | None = None
) -> Transfer:
    """The transfer at this speed for orders from 0 to `highest`; 1 where nothing is known."""
    order_hz = np.asarray(np.arange(highest + 1) * speed_rpm / 60.0, np.float64)
    still = Response(np.ones(highest + 1), np.zeros(highest + 1))
    parts: list[tuple[str, str, float, float, Callable[[float], Response]]] = []
    if conditions.resonance_hz:
        resonant = partial(_resonant, order_hz)
        parts.append((RESONANCE, RESONANCE_SOURCE, conditions.resonance_hz, RESONANCE_U_REL, resonant))
    if conditions.filter_hz:
        filtered = partial(_filtered, order_hz, order=conditions.filter_poles)
        parts.append(
            (FILTER, conditions.filter_source, conditions.filter_hz, conditions.filter_u_rel, filtered)
        )
    whole = still
    for _, _, at_hz, _, respond in parts:
        whole = _beside(whole, respond(at_hz))
    doubts = []
    for name, source, at_hz, u_rel, respond in parts:
        others = still
        for other, _, other_hz, _, other_respond in parts:
            if other != name:
                others = _beside(others, other_respond(other_hz))
        moved = [_beside(others, respond(hz)) for hz in (at_hz / (1 + u_rel), at_hz * (1 + u_rel))]
        doubts.append(Doubt(name, source, *moved))
    return Transfer(whole, tuple(doubts), way, rig)


def _through(lines: Lines, response: Response, way: int) -> Lines:
    """Orders led back through a response."""
    return Lines(
        lines.orders,
        np.asarray(lines.amplitudes / response.at(lines.orders, way), np.complex128),
        lines.variance / response.gain[lines.orders] ** 2,
    )


def _sizes(lines: Lines) -> tuple[float, float]:
    """Peak-to-peak and rms."""
    span = peak_to_peak(lines.orders, lines.amplitudes, lines.variance).value_nm
    return span, float(np.sqrt((np.abs(lines.amplitudes) ** 2).sum() / 2))


def _apart_rad(used: Response, true: Response, orders: Int64s, amplitudes: Complex128s) -> Float64s:
    """What is left of the difference of two delays (k,) when the directions have been aligned by the lag that they leave.

    The alignment weighs an order by its square (`lag.find_lag`) and takes what is in proportion to the order.
    """
    differ = true.late_rad[orders] - used.late_rad[orders]
    weight = np.abs(amplitudes) ** 2 * orders
    total = float(weight @ orders)
    return np.asarray(differ - orders * (float(weight @ differ) / total if total > 0 else 0.0), np.float64)


def _beside(one: Response, other: Response) -> Response:
    """Two responses one after the other."""
    return Response(one.gain * other.gain, one.late_rad + other.late_rad)


def _resonant(order_hz: Float64s, at_hz: float) -> Response:
    share = order_hz / at_hz
    gain = 1.0 / (1.0 - np.where(share < CORRECTED_SHARE, share, 0.0) ** 2)
    return Response(gain, np.zeros(len(order_hz)))


def _filtered(order_hz: Float64s, at_hz: float, *, order: int) -> Response:
    # Beyond its reach the correction stays what it is there: a value that such orders matter to is not judged.
    share = np.minimum(order_hz / at_hz, FILTER_REACH)
    gain = 1.0 / np.sqrt(1.0 + share ** (2 * order))
    pole = 1.0 + 1j * share if order == 1 else 1.0 - share**2 + 1j * np.sqrt(2.0) * share
    return Response(np.asarray(gain, np.float64), np.asarray(np.angle(pole), np.float64))
