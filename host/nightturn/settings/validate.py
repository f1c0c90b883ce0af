"""What the shape of the tables cannot say: names, contradictions and plans that cannot work. Pure."""

from collections import Counter
from collections.abc import Callable, Collection, Iterator
from urllib.parse import urlsplit

from nightturn.errors import ConfigError
from nightturn.model.cards import MountCard
from nightturn.model.names import (
    FIXTURE_ID,
    LAB_NAME,
    RESERVED_FIXTURES,
    TRANSDUCER_SERIAL,
    VARIANT_NAME,
)
from nightturn.model.phases import EXERCISE, GRID_S, HOLD, SLOW_TURN
from nightturn.settings.mistakes import Place, did_you_mean, listed, shown
from nightturn.settings.rig import UTC, BenchPart, FixtureSettings, MqttPart, Rig, Shunt, Transducer
from nightturn.settings.variant import Variant

RAW_LIMIT = "torque_nm"
HELD_FIGURE = "mean_torque_nm"  # the figure that is the held torque itself
SPEED_CLASS_GAP = 0.15  # exercise is distinguished from the measuring phases by its speed
BLOCK_S_MAX = 0.1
COUNTS_PER_CELL_MIN = 40  # speeds 15 % apart, each known to 5 % and one count, are two speeds from here on
SHUNT_ARMS_MIN = 10  # fewer would step by 24 mV/V and more, which no gauge does (common practice, no source)
OPERATOR_CHARACTERS_MAX = 64
NOTES_CHARACTERS_MAX = 2000

FIXTURE_RULE = "a small letter, then up to 31 small letters, digits or -; no dot, no slash"
LAB_RULE = "a small letter or digit, then up to 31 small letters, digits or -; no dot, no slash"
SERIAL_RULE = "a letter or digit, then up to 31 letters, digits, _ or -; no dot, no slash"


def variant_name_rule() -> str:
    """What a variant's name may look like, in words."""
    return "a small letter or digit, then up to 31 small letters, digits, _ or -; no dot, no slash"


def rig_mistakes(
    rig: Rig,
    place: Place,
    *,
    figures: Collection[str] | None = None,
    device_of: Callable[[str], str] = str,
    time_zones: Callable[[], Collection[str]] = lambda: (UTC,),
) -> tuple[ConfigError, ...]:
    """Every contradiction in a rig of good shape.

    Args:
        rig: as converted from the file.
        place: the top of the file.
        figures: names of figures that may be limited; None leaves names of limits unchecked.
        device_of: the device behind a port's name, so that two links to one device are found.
        time_zones: the names of the time zones there are; asked only when the rig names one.
    """
    found = list(_bench_mistakes(rig.bench, place.inside("bench"), time_zones))
    if rig.mqtt is not None:
        found += _mqtt_mistakes(rig.mqtt, place.inside("mqtt"))
    if not rig.fixture:
        found.append(place.mistake("fixture", "no fixture", "at least one [[fixture]] table"))
    counted = Counter(fixture.id for fixture in rig.fixture)
    users: dict[str, str] = {}
    for fixture in rig.fixture:
        at = place.inside("fixture").entry(fixture.id, named=True)
        if counted[fixture.id] > 1:
            what = f"{shown(fixture.id)} is the id of {counted[fixture.id]} fixtures"
            found.append(at.mistake("id", what, "a different id for each"))
            counted[fixture.id] = 1  # reported once
        device = device_of(fixture.port)
        first = users.setdefault(device, fixture.id)
        if first != fixture.id and not device.startswith("virtual:"):
            what = f'{shown(fixture.port)} is also the port of fixture "{first}"'
            found.append(at.mistake("port", what, "one port for each fixture; `nightturn ports` lists them"))
        found += fixture_mistakes(fixture, at, figures=figures)
    return tuple(found)


def fixture_mistakes(
    fixture: FixtureSettings, place: Place, *, figures: Collection[str] | None = None
) -> list[ConfigError]:
    """Every contradiction inside one fixture's tables."""
    found: list[ConfigError] = []
    if fixture.id in RESERVED_FIXTURES:
        found.append(place.mistake("id", f"{shown(fixture.id)} is reserved", "any other id"))
    elif not FIXTURE_ID.fullmatch(fixture.id):
        found.append(place.mistake("id", f"{shown(fixture.id)} is not a fixture id", FIXTURE_RULE))
    found += _port_mistakes(fixture.port, place)
    found += _sampling_mistakes(fixture, place)
    found += _transducer_mistakes(fixture.transducer, place.inside("transducer"))
    found += _travel_mistakes(fixture, place.inside("travel"))
    found += _protect_mistakes(fixture, place.inside("protect"), figures)
    found += _shunt_mistakes(fixture.shunt, place.inside("shunt"))
    found += _plan_mistakes(fixture, place.inside("plan"))
    return found


def variant_mistakes(
    variant: Variant, place: Place, *, name: str, figures: Collection[str] | None = None
) -> tuple[ConfigError, ...]:
    """Every contradiction in a variant of good shape that was read as `name`."""
    found: list[ConfigError] = []
    if variant.name != name:
        what = f"{shown(variant.name)} is not the name of its file"
        found.append(place.mistake("name", what, f"{shown(name)}, or no such key"))
    accept = place.inside("accept")
    for figure, limit in variant.accept.items():
        if figures is not None and figure not in figures:
            what = f"unknown figure {shown(figure)}{did_you_mean(figure, figures)}"
            found.append(accept.mistake(figure, what, listed(sorted(figures))))
        inside = accept.inside(figure)
        if limit.guard >= limit.max:
            what = f"{limit.guard:g} leaves nothing of max = {limit.max:g}"
            found.append(inside.mistake("guard", what, f"a number from 0, below {limit.max:g}"))
        if limit.temp_degc is not None and limit.temp_degc[0] >= limit.temp_degc[1]:
            what = f"{shown(limit.temp_degc)} holds no temperature"
            found.append(inside.mistake("temp_degc", what, "two numbers, [low, high], low below high"))
    return tuple(found)


def fixture_named(rig: Rig, fixture: str, file: str) -> FixtureSettings:
    """The fixture of that id.

    Raises:
        ConfigError: the rig has no such fixture; names the ones it has.
    """
    known = {each.id: each for each in rig.fixture}
    if fixture not in known:
        raise ConfigError(
            f"no fixture {shown(fixture)}{did_you_mean(fixture, known)}", where=file, allowed=listed(known)
        )
    return known[fixture]


def card_mistakes(fixture: str, card: MountCard) -> tuple[ConfigError, ...]:
    """Names on a mount card that are no names, or would climb out of a folder."""
    place = Place("mount card")
    found: list[ConfigError] = []
    if fixture in RESERVED_FIXTURES or not FIXTURE_ID.fullmatch(fixture):
        found.append(place.mistake("fixture", f"{shown(fixture)} is not a fixture id", FIXTURE_RULE))
    if not TRANSDUCER_SERIAL.fullmatch(card.unit):
        found.append(place.mistake("unit", f"{shown(card.unit)} is not a unit's serial", SERIAL_RULE))
    if not VARIANT_NAME.fullmatch(card.variant):
        found.append(
            place.mistake("variant", f"{shown(card.variant)} is not a variant's name", variant_name_rule())
        )
    operator = card.operator.strip()
    if not operator or not operator.isprintable() or len(operator) > OPERATOR_CHARACTERS_MAX:
        allowed = f"one line of 1 to {OPERATOR_CHARACTERS_MAX} characters"
        found.append(place.mistake("operator", f"{shown(card.operator)} is not a name", allowed))
    if len(card.notes) > NOTES_CHARACTERS_MAX:
        what = f"{len(card.notes)} characters are too many"
        found.append(place.mistake("notes", what, f"at most {NOTES_CHARACTERS_MAX} characters"))
    return tuple(found)


def _bench_mistakes(
    bench: BenchPart, place: Place, time_zones: Callable[[], Collection[str]]
) -> Iterator[ConfigError]:
    if not LAB_NAME.fullmatch(bench.lab):
        yield place.mistake("lab", f"{shown(bench.lab)} is not a lab's name", LAB_RULE)
    if not bench.name.strip() or not bench.name.isprintable():
        yield place.mistake("name", f"{shown(bench.name)} is not a name", "one line of text")
    if not bench.data.strip() or ".." in bench.data.split("/") or not bench.data.isprintable():
        allowed = "a folder beside this file, or a path from the root; no .. in it"
        yield place.mistake("data", f"{shown(bench.data)} is not a place for recordings", allowed)
    if bench.timezone != UTC and bench.timezone not in (known := time_zones()):
        what = f"{shown(bench.timezone)} is not a time zone{did_you_mean(bench.timezone, known)}"
        yield place.mistake("timezone", what, '"UTC", or an IANA name such as "Europe/Vienna"')


def _mqtt_mistakes(mqtt: MqttPart, place: Place) -> Iterator[ConfigError]:
    allowed = "mqtt://host, mqtts://host, either with :port; no path, no user or password"
    try:
        url = urlsplit(mqtt.url)
        good = url.scheme in {"mqtt", "mqtts"} and url.hostname and url.port != 0
    except ValueError:
        yield place.mistake("url", f"{shown(mqtt.url)} is not a broker's address", allowed)
        return
    if "@" in url.netloc:
        yield place.mistake(
            "url", "holds a user or a password", f"{allowed}; the user goes into [mqtt] username"
        )
    elif not good or url.path not in {"", "/"} or url.query or url.fragment:
        yield place.mistake("url", f"{shown(mqtt.url)} is not a broker's address", allowed)


def _port_mistakes(port: str, place: Place) -> Iterator[ConfigError]:
    allowed = '"/dev/serial/by-id/…", "socket://127.0.0.1:7001" or "virtual:pan15?seed=7"; `nightturn ports` lists devices'
    scheme, colon, rest = port.partition("://")
    try:
        address = urlsplit(port)
        socket = (
            colon and scheme == "socket" and address.hostname and address.port and address.path in {"", "/"}
        )
    except ValueError:
        socket = False
    named = port.startswith("virtual:") and VARIANT_NAME.fullmatch(
        port.removeprefix("virtual:").partition("?")[0]
    )
    device = (
        not colon and not port.startswith("virtual:") and port.strip() == port and port.isprintable() and port
    )
    if not (socket or named or device) or (colon and not rest):
        yield place.mistake("port", f"{shown(port)} is not a port", allowed)


def _sampling_mistakes(fixture: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    block_s = fixture.samples_per_block / fixture.rate_hz
    if block_s > BLOCK_S_MAX:
        what = (
            f"{fixture.samples_per_block} samples at rate_hz = {fixture.rate_hz} last {block_s * 1000:.0f} ms"
        )
        most = int(fixture.rate_hz * BLOCK_S_MAX)
        yield place.mistake("samples_per_block", what, f"at most 100 ms: 10 to {most} at this rate")
    for table, phase in ((SLOW_TURN, fixture.plan.slow_turn), (HOLD, fixture.plan.hold)):
        if phase is None:
            continue
        counts = fixture.encoder.counts_per_rev * phase.speed_rpm / 60 * GRID_S
        if counts < COUNTS_PER_CELL_MIN:
            least = COUNTS_PER_CELL_MIN / GRID_S * 60 / fixture.encoder.counts_per_rev
            what = f"{phase.speed_rpm:g} is too slow for this encoder: {counts:.1f} counts in 50 ms cannot show steady turning"
            allowed = (
                f"from {least:.3g} with counts_per_rev = {fixture.encoder.counts_per_rev}, or a finer encoder"
            )
            yield place.inside("plan").inside(table).mistake("speed_rpm", what, allowed)


def _transducer_mistakes(transducer: Transducer, place: Place) -> Iterator[ConfigError]:
    factor, sensitivity = transducer.factor_nm_per_v, transducer.sensitivity_mv_per_v
    one_of = "serial, or factor_nm_per_v, or sensitivity_mv_per_v with rated_torque_nm"
    if transducer.serial and not TRANSDUCER_SERIAL.fullmatch(transducer.serial):
        yield place.mistake("serial", f"{shown(transducer.serial)} is not a serial", SERIAL_RULE)
    if factor is not None and sensitivity is not None:
        yield place.mistake(
            "factor_nm_per_v", "is given beside sensitivity_mv_per_v", "one of the two, not both"
        )
    elif sensitivity is not None and transducer.rated_torque_nm is None:
        yield place.mistake("sensitivity_mv_per_v", "needs rated_torque_nm", "both, or factor_nm_per_v alone")
    elif not transducer.serial and factor is None and sensitivity is None:
        yield place.mistake("", "neither a serial nor a factor: volts cannot become N·m", one_of)


def _travel_mistakes(fixture: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    low, high = fixture.travel.range_deg
    if low >= high or low > 0 or high < 0:
        allowed = "two numbers, [low, high], low below high, with 0 (where the run begins) between them"
        yield place.mistake("range_deg", f"{shown(fixture.travel.range_deg)} cannot be turned in", allowed)


def _protect_mistakes(
    fixture: FixtureSettings, place: Place, figures: Collection[str] | None
) -> Iterator[ConfigError]:
    for name, limit in fixture.protect.items():
        if figures is not None and name != RAW_LIMIT and name not in figures:
            what = f"unknown limit {shown(name)}{did_you_mean(name, [RAW_LIMIT, *figures])}"
            yield place.mistake(name, what, listed([RAW_LIMIT, *sorted(figures)]))
        if limit.max <= 0:
            yield place.inside(name).mistake("max", f"{limit.max:g} is out of range", "a number above 0")
    torque, hold = fixture.protect.get(RAW_LIMIT), fixture.plan.hold
    if torque is not None and hold is not None and 0 < torque.max <= hold.torque_nm:
        what = f"{torque.max:g} would end every cycle: the plan holds {hold.torque_nm:g} N·m"
        yield place.inside(RAW_LIMIT).mistake("max", what, f"a number above {hold.torque_nm:g}")
    mean = fixture.protect.get(HELD_FIGURE)
    if mean is not None and hold is not None and 0 < mean.max <= hold.torque_nm:
        what = f"{mean.max:g} would be passed in every cycle: the plan holds {hold.torque_nm:g} N·m"
        yield place.inside(HELD_FIGURE).mistake("max", what, f"a number above {hold.torque_nm:g}")


def _shunt_mistakes(shunt: Shunt, place: Place) -> Iterator[ConfigError]:
    expects = shunt.resistance_ohm is not None or shunt.step_nm is not None
    if shunt.resistance_ohm is not None and shunt.step_nm is not None:
        yield place.mistake("step_nm", "is given beside resistance_ohm", "one of the two, not both")
    if shunt.resistance_ohm is not None and shunt.resistance_ohm < SHUNT_ARMS_MIN * shunt.arm_ohm:
        what = f"{shunt.resistance_ohm:g} is no shunt for an arm of {shunt.arm_ohm:g} ohm"
        allowed = f"from {SHUNT_ARMS_MIN * shunt.arm_ohm:g}, in ohm and not in kilohm"
        yield place.mistake("resistance_ohm", what, allowed)
    if shunt.on_exceed == "stop" and not (shunt.check and expects):
        what = '"stop" needs a check and something that is expected of it'
        yield place.mistake(
            "on_exceed", what, 'resistance_ohm or step_nm beside it and check = true, or "warn"'
        )


def _plan_mistakes(fixture: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    plan = fixture.plan
    exercise = place.inside(EXERCISE)
    if plan.exercise.strokes % 2:
        what = f"{plan.exercise.strokes} is odd: every cycle would end {plan.exercise.angle_deg:g}° further on and wind the cable up"
        yield exercise.mistake("strokes", what, "an even number; a stroke is one way")
    for name, phase in ((SLOW_TURN, plan.slow_turn), (HOLD, plan.hold)):
        if phase is None or not plan.exercise.strokes:
            continue
        if abs(plan.exercise.speed_rpm / phase.speed_rpm - 1) <= SPEED_CLASS_GAP + 1e-9:
            slow, fast = phase.speed_rpm * (1 - SPEED_CLASS_GAP), phase.speed_rpm * (1 + SPEED_CLASS_GAP)
            what = f"{plan.exercise.speed_rpm:g} is too near {name}.speed_rpm = {phase.speed_rpm:g}: phases are distinguished by speed"
            yield exercise.mistake("speed_rpm", what, f"below {slow:g} or above {fast:g}")
