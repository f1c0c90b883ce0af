"""An outlook as rows for people."""

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from nightturn.model.phases import EXERCISE
from nightturn.model.quantities import quantity
from nightturn.outlook.limit_outlook import AcceptanceOutlook, ProtectionOutlook
from nightturn.outlook.plan import Outlook, PhaseOutlook
from nightturn.outlook.shunt_outlook import ShuntOutlook
from nightturn.outlook.stroke_outlook import StrokeOutlook
from nightturn.settings.validate import RAW_LIMIT

DATED_S_MAX = 10 * 366 * 86_400.0
"""A longer plan has no end that anybody wants to read."""


def outlook_rows(outlook: Outlook, now_ns: int, zone: str) -> list[tuple[str, str]]:
    """Name and value of everything that `check` shows; errors go to stderr.

    Args:
        outlook: of one fixture and variant.
        now_ns: UTC, ns since 1970.
        zone: of the bench, an IANA name.
    """
    low, high = outlook.range_deg
    line = f"{outlook.wire_bytes_per_s / 1000:.1f} kB/s"
    line += "" if outlook.wire_load_pct is None else f", {outlook.wire_load_pct:.0f} % of the line"
    rows = [
        ("cycle", f"{outlook.cycle_s:.0f} s"),
        ("night of 8 h", f"{outlook.cycles_per_night} cycles, {outlook.strokes_per_night} strokes"),
        ("planned end", _planned_end(outlook, now_ns, zone)),
        ("travel", f"{outlook.peak_deg[0]:.0f}° to {outlook.peak_deg[1]:.0f}° of [{low:g}, {high:g}]"),
        ("net travel", f"{outlook.net_travel_deg:+.1f}° after two cycles"),
        ("orders of the unit", _orders(outlook.unit_orders)),
        ("orders of the drive", _orders(outlook.drive_orders)),
        ("orders in common", _orders(outlook.shared_orders) or "none above 4"),
        ("samples on the wire", line),
    ]
    rows.append(("shunt check", _shunt_check(outlook.shunt)))
    if outlook.shunt_ohm is not None:
        advice = f"{outlook.shunt_ohm / 1000:.2f} kΩ across one 350 Ω arm reads as half the rated torque"
        rows.append(("shunt resistor", advice))
    rows += [(phase.phase.replace("_", " "), _phase(phase)) for phase in outlook.phases]
    rows.append((EXERCISE, "none" if outlook.strokes is None else _strokes(outlook.strokes)))
    rows += _limits(outlook)
    rows += [("warning", warning) for warning in outlook.warnings]
    return rows


def _planned_end(outlook: Outlook, now_ns: int, zone: str) -> str:
    takes = f"{outlook.cycles} cycles take {duration(outlook.plan_s)}"
    if outlook.plan_s > DATED_S_MAX:
        return takes
    end = datetime.fromtimestamp(now_ns / 1e9 + outlook.plan_s, ZoneInfo(zone)).isoformat(" ", "minutes")
    return f"{takes} without a pause; begun now they end {end[:16]} {end[16:]}"


def duration(seconds: float) -> str:
    """`9 d 10 h 40 min`, to the minute; below an hour to the second."""
    if seconds < 3600:
        minutes, rest = divmod(round(seconds), 60)
        return f"{minutes} min {rest} s"
    hours, minutes = divmod(round(seconds / 60), 60)
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h {minutes} min" if days else f"{hours} h {minutes} min"


def _orders(orders: tuple[int, ...]) -> str:
    return " ".join(str(order) for order in orders)


def _limits(outlook: Outlook) -> Iterator[tuple[str, str]]:
    for accepted in outlook.acceptance:
        yield f"accept {accepted.figure}", _acceptance(accepted)
    if not outlook.acceptance:
        yield "accept", "no limit: no cycle will be judged"
    for protection in outlook.protection:
        yield f"protect {protection.figure}", _protection(protection)
    if not outlook.protection:
        yield "protect", "no limit"


def _acceptance(accepted: AcceptanceOutlook) -> str:
    limit, unit = accepted.limit, accepted.unit
    text = f"at most {quantity(limit.max, unit)}"
    if unit == "%":
        text += f" ({quantity(accepted.max_nm, 'N·m')})"
    if limit.guard:
        text += f" less a guard band of {quantity(limit.guard, unit, beside=limit.max)}"
    if limit.at_rpm is not None:
        text += f", at {quantity(limit.at_rpm, 'rpm')}"
    if limit.at_torque_nm is not None:
        text += f", holding {quantity(limit.at_torque_nm, 'N·m')}"
    if limit.temp_degc is not None:
        text += f", {limit.temp_degc[0]:g} to {limit.temp_degc[1]:g} °C"
    return text


def _protection(protection: ProtectionOutlook) -> str:
    bound = quantity(protection.limit.max, protection.unit)
    does = "the run ends" if protection.limit.on_exceed == "stop" else "warning only"
    when = "in any sample" if protection.figure == RAW_LIMIT else "in a finished cycle"
    return f"at most {bound} {when}, otherwise {does}"


def _shunt_check(shunt: ShuntOutlook) -> str:
    if not shunt.check:
        return "off"
    when = f"at start and end, if the device has the relay; {shunt.seconds:.1f} s or a little more each"
    steps = [
        quantity(value, unit)
        for value, unit in ((shunt.expected_mv_per_v, "mV/V"), (shunt.expected_nm, "N·m"))
        if value is not None
    ]
    change = f"a change within {shunt.change_pct:g} %"
    if not steps:
        return f"{when}; {change}, no step expected (resistance_ohm or step_nm in [fixture.shunt])"
    other = "no cycle begins" if shunt.on_exceed == "stop" else "an event says so and the run goes on"
    return (
        f"{when}; expects {' or '.join(steps)} within {shunt.tolerance_pct:g} %, {change}; otherwise {other}"
    )


def _phase(phase: PhaseOutlook) -> str:
    share = "" if phase.resonance_share is None else f" ({phase.resonance_share * 100:.0f} % of resonance)"
    return (
        f"{phase.revolutions} turns a pass at {phase.speed_rpm:g} rpm, {phase.angle_bins} bins a turn, "
        f"orders to {phase.highest_order}; order {phase.order} at {phase.order_hz:.1f} Hz{share}, "
        f"{phase.samples_per_period:.0f} samples a period"
    )


def _strokes(strokes: StrokeOutlook) -> str:
    return (
        f"{strokes.strokes} strokes of {strokes.angle_deg:g}° and {strokes.stroke_s:.1f} s, "
        f"{strokes.steady_s:.1f} s of it at {strokes.speed_rpm:g} rpm"
    )
