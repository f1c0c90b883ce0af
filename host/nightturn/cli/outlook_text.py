"""An outlook as rows for people."""

from nightturn.outlook.plan import Outlook, PhaseOutlook
from nightturn.outlook.shunt_outlook import ShuntOutlook


def outlook_rows(outlook: Outlook) -> list[tuple[str, str]]:
    """Name and value of everything that `check` shows; errors are told apart, on stderr."""
    low, high = outlook.range_deg
    line = f"{outlook.wire_bytes_per_s / 1000:.1f} kB/s"
    line += "" if outlook.wire_load_pct is None else f", {outlook.wire_load_pct:.0f} % of the line"
    rows = [
        ("cycle", f"{outlook.cycle_s:.0f} s"),
        ("night of 8 h", f"{outlook.cycles_per_night} cycles, {outlook.strokes_per_night} strokes"),
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
    rows += [("warning", warning) for warning in outlook.warnings]
    return rows


def _orders(orders: tuple[int, ...]) -> str:
    return " ".join(str(order) for order in orders)


def _shunt_check(shunt: ShuntOutlook) -> str:
    if not shunt.check:
        return "off"
    when = f"at start and end, if the device has the relay; {shunt.seconds:.1f} s or a little more each"
    steps = [
        f"{value:.4g} {unit}"
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
