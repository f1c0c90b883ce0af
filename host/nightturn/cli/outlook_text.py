"""An outlook as rows for people."""

from collections.abc import Iterator
from datetime import datetime
from zoneinfo import ZoneInfo

from nightturn.estimation.filter_remarks import unstated_filter
from nightturn.fixture.protect import CLEAR_U
from nightturn.model.phases import EXERCISE, PARK
from nightturn.model.quantities import fixed, number, quantity, typed
from nightturn.model.trends import ACT_NOW, NOTE, STOP, TODAY
from nightturn.model.verdicts import MAX
from nightturn.outlook.limit_outlook import AcceptanceOutlook, ProtectionOutlook
from nightturn.outlook.order_outlook import PhaseOutlook
from nightturn.outlook.plan import Outlook
from nightturn.outlook.routine_outlook import ConditioningOutlook, RoutineOutlook
from nightturn.outlook.shunt_outlook import ShuntOutlook
from nightturn.outlook.stroke_outlook import StrokeOutlook
from nightturn.outlook.watch_outlook import WatchOutlook
from nightturn.settings.confirming import confirming
from nightturn.settings.validate import RAW_LIMIT

ASKS = {
    NOTE: "a note, and the run goes on",
    TODAY: "to be looked at today, and the run goes on",
    ACT_NOW: "to be acted on now, and the run goes on",
    STOP: "to be acted on now, and ends the run",
}
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
    line = f"{fixed(outlook.wire_bytes_per_s / 1000, 1)} kB/s"
    line += "" if outlook.wire_load_pct is None else f", {fixed(outlook.wire_load_pct, 0)} % of the line"
    rows = [
        ("cycle", f"{fixed(outlook.cycle_s, 0)} s"),
        ("night of 8 h", f"{outlook.cycles_per_night} cycles, {outlook.strokes_per_night} strokes"),
        ("planned end", _planned_end(outlook, now_ns, zone)),
        (
            "travel",
            f"{fixed(outlook.peak_deg[0], 0)}° to {fixed(outlook.peak_deg[1], 0)}° of [{typed(low)}, {typed(high)}]",
        ),
        ("net travel", f"{fixed(outlook.net_travel_deg, 1, signed=True)}° after two cycles"),
        ("orders of the unit", _orders(outlook.unit_orders)),
        ("orders of the drive", _orders(outlook.drive_orders)),
        ("orders in common", _orders(outlook.shared_orders) or "none above 4"),
        ("samples on the wire", line),
    ]
    rows.append(("shunt check", _shunt_check(outlook.shunt)))
    if outlook.shunt_ohm is not None:
        advice = (
            f"{fixed(outlook.shunt_ohm / 1000, 2)} kΩ across one 350 Ω arm reads as half the rated torque"
        )
        rows.append(("shunt resistor", advice))
    rows += [(phase.phase.replace("_", " "), _phase(phase)) for phase in outlook.phases]
    rows.append((EXERCISE, "none" if outlook.strokes is None else _strokes(outlook.strokes)))
    rows += _routine(outlook.routine)
    rows += _limits(outlook)
    rows += [("warning", warning) for warning in outlook.warnings]
    return rows


def watch_rows(watch: WatchOutlook) -> list[tuple[str, str]]:
    """What the watch over figures promises."""
    does = f"a change is {ASKS[watch.on_change]}"
    new, again, same = (
        duration(each) for each in (watch.armed_s, watch.armed_remounted_s, watch.armed_mounted_s)
    )
    from_when = (
        f"it watches from {new} of cycles on at the earliest, an hour of them for the temperature; a unit with earlier nights on this rig "
        f"from {again}, on the same mounting from {same}"
    )
    by_95 = (
        "; each by the 95 % interval of its course, so where nothing is so at most 1 course in 40 of a figure says it"
        if watch.conditions
        else ""
    )
    told = f"{'; '.join(watch.conditions)}{by_95}"
    return [("watch", f"{watch.sentence}; {from_when}; {does}"), *([("trends", told)] if told else [])]


def _planned_end(outlook: Outlook, now_ns: int, zone: str) -> str:
    beside = " with all that comes between" if outlook.routine.conditioning else ""
    takes = f"{outlook.cycles} cycles take {duration(outlook.plan_s)}{beside}"
    if outlook.plan_s > DATED_S_MAX:
        return takes
    end = datetime.fromtimestamp(now_ns / 1e9 + outlook.plan_s, ZoneInfo(zone)).isoformat(" ", "minutes")
    pause = "a pause or what a person takes at its parks" if outlook.routine.parks else "a pause"
    return f"{takes} without {pause}; begun now they end {end[:16]} {end[16:]}"


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
    text = " and ".join(_bound(bound, size, size_nm, unit) for bound, size, size_nm in accepted.bounds)
    if limit.signed:
        text += ", with its sign"
    if limit.guard:
        largest = max(size for _, size, _ in accepted.bounds)
        text += f" less a guard band of {quantity(limit.guard, unit, beside=largest)}"
    if limit.direction is not None:
        text += f", turning in the {limit.direction} sense"
    if limit.at_rpm is not None:
        text += f", at {quantity(limit.at_rpm, 'rpm')}"
    if limit.at_torque_nm is not None:
        text += f", holding {quantity(limit.at_torque_nm, 'N·m')}"
    if limit.temp_degc is not None:
        text += f", {number(limit.temp_degc[0])} to {number(limit.temp_degc[1])} °C"
    return text


def _bound(bound: str, size: float, size_nm: float, unit: str) -> str:
    text = f"at {'most' if bound == MAX else 'least'} {quantity(size, unit)}"
    return f"{text} ({quantity(size_nm, 'N·m')})" if unit == "%" else text


def _protection(protection: ProtectionOutlook) -> str:
    bound = quantity(protection.limit.max, protection.unit)
    does = "the run ends" if protection.limit.on_exceed == "stop" else "warning only"
    if protection.figure == RAW_LIMIT:
        return f"at most {bound} in any sample, otherwise {does}"
    wanted, of = confirming(protection.limit.confirm) or (1, 1)
    if of == 1:
        return f"at most {bound} in a finished cycle, otherwise {does}"
    return f"at most {bound}; beyond it in {wanted} of the newest {of} cycles, or by {number(CLEAR_U)} standard uncertainties in one, {does}"


def _shunt_check(shunt: ShuntOutlook) -> str:
    if not shunt.check:
        return "off"
    when = f"at start and end, if the device has the relay; {fixed(shunt.seconds, 1)} s or a little more each"
    steps = [
        quantity(value, unit)
        for value, unit in ((shunt.expected_mv_per_v, "mV/V"), (shunt.expected_nm, "N·m"))
        if value is not None
    ]
    change = f"a change within {number(shunt.change_pct)} %"
    if not steps:
        return f"{when}; {change}, no step expected (resistance_ohm or step_nm in [fixture.shunt])"
    other = "no cycle begins" if shunt.on_exceed == "stop" else "an event says so and the run goes on"
    return f"{when}; expects {' or '.join(steps)} within {number(shunt.tolerance_pct)} %, {change}; otherwise {other}"


def _phase(phase: PhaseOutlook) -> str:
    share = (
        "" if phase.resonance_share is None else f" ({fixed(phase.resonance_share * 100, 0)} % of resonance)"
    )
    return (
        f"{phase.revolutions} turns a pass at {number(phase.speed_rpm)} rpm, {phase.angle_bins} bins a turn, "
        f"orders to {phase.highest_order}; order {phase.order} at {fixed(phase.order_hz, 1)} Hz{share}, "
        f"{fixed(phase.samples_per_period, 0)} samples a period{_unstated_filter(phase)}"
    )


def _unstated_filter(phase: PhaseOutlook) -> str:
    """Which corner matters where the rig file states none."""
    if phase.filter_matters_hz is None:
        return ""
    return f"; the rig file states no filter: if the device's sheet does not either, {unstated_filter(phase.order, phase.order_hz)}"


def _strokes(strokes: StrokeOutlook) -> str:
    text = (
        f"{strokes.strokes} strokes of {number(strokes.angle_deg)}° and {fixed(strokes.stroke_s, 1)} s, "
        f"{fixed(strokes.steady_s, 1)} s of it at {number(strokes.speed_rpm)} rpm"
    )
    return f"{text}, holding {quantity(strokes.torque_nm, 'N·m')}" if strokes.torque_nm else text


def _routine(routine: RoutineOutlook) -> Iterator[tuple[str, str]]:
    """Warm-up, soak and park, where the plan has them."""
    for each in routine.conditioning:
        yield each.phase.replace("_", "-"), _conditioning(each)
    if routine.park_deg is not None:
        behind = f"behind every {routine.parks_every} cycles, {routine.parks} times in all"
        yield PARK, f"at {number(routine.park_deg)}° {behind}; each time it waits for a person's `go`"


def _conditioning(found: ConditioningOutlook) -> str:
    asked = found.asked
    often = (
        "once, before the first cycle" if found.times == 1 else f"{found.times} times, first before cycle 1"
    )
    text = f"{often}: {_strokes(found.strokes)}; {duration(found.seconds)}"
    if asked.until == "time" or asked.k_per_h is None:
        return text
    other = "waits for a person" if asked.otherwise == "stop" else "goes on"
    return (
        f"{text} at most, until {asked.channel} changes by less than {quantity(asked.k_per_h, 'K/h')} over "
        f"{quantity(asked.over_min, 'min')}; without that it {other}"
    )
