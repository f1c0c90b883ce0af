"""What the shape of the tables cannot say: names, contradictions and plans that cannot work. Pure."""

from collections import Counter
from collections.abc import Callable, Collection, Iterator, Sequence
from urllib.parse import urlsplit

from msgspec import UnsetType

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
from nightturn.model.quantities import fixed, number, typed
from nightturn.settings.acceptance import acceptance_mistakes
from nightturn.settings.confirming import ALLOWED, confirming
from nightturn.settings.mistakes import Place, did_you_mean, listed, shown
from nightturn.settings.rig import (
    UTC,
    Bearing,
    BenchPart,
    Channels,
    FixtureSettings,
    MqttPart,
    Rig,
    Shunt,
    Transducer,
)
from nightturn.settings.routine import SPEED_CLASS_GAP, routine_mistakes
from nightturn.settings.trend_conditions import trend_mistakes
from nightturn.settings.variant import Variant

RAW_LIMIT = "torque_nm"
HELD_FIGURE = "mean_torque_nm"  # the figure that is the held torque itself
BLOCK_S_MAX = 0.1
COUNTS_PER_CELL_MIN = 40  # speeds 15 % apart, each known to 5 % and one count, are two speeds from here on
SHUNT_ARMS_MIN = 10  # fewer would step by 24 mV/V and more, which no gauge does (common practice, no source)
OPERATOR_CHARACTERS_MAX = 64
NAME_CHARACTERS_MAX = 32
NOTES_CHARACTERS_MAX = 2000
TURN_DEG = 360.0

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
    followed: Collection[str] | None = None,
    device_of: Callable[[str], str] = str,
    time_zones: Callable[[], Collection[str]] = lambda: (UTC,),
) -> tuple[ConfigError, ...]:
    """Every contradiction in a rig of good shape.

    Args:
        rig: as converted from the file.
        place: the top of the file.
        figures: names of figures that may be limited; None leaves names of limits unchecked.
        followed: of those whose slope may be limited; None for all of them.
        device_of: the device behind a port's name, so that two links to one device are found.
        time_zones: the names of the time zones there are; asked only when the rig names one.
    """
    found = list(_bench_mistakes(rig.bench, place.inside("bench"), time_zones))
    if rig.mqtt is not None:
        found += _mqtt_mistakes(rig.mqtt, place.inside("mqtt"))
    figures_days, raw_days = rig.retention.figures.days, rig.retention.raw.days
    if figures_days != "ever" and (raw_days == "ever" or raw_days > figures_days):
        what = "figures would be due before the raw samples that prove them, and wait for those"
        allowed = "at least raw's days; or days for raw too"
        found.append(place.inside("retention").inside("figures").mistake("days", what, allowed))
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
        found += fixture_mistakes(fixture, at, figures, followed)
    found += _fsync_mistakes(rig, place.inside("bench"))
    found += _workers_mistakes(rig, place.inside("bench"))
    return tuple(found)


def _workers_mistakes(rig: Rig, place: Place) -> Iterator[ConfigError]:
    """A process without a fixture would only take memory, and whoever wrote it may have meant another rig."""
    workers, fixtures = rig.bench.workers, len(rig.fixture)
    if workers > max(fixtures, 1):
        what = f"{workers} processes for {fixtures} {'fixture' if fixtures == 1 else 'fixtures'}; each needs at least one"
        yield place.mistake("workers", what, f"1 to {fixtures}" if fixtures > 1 else "1, or no such key")


def _fsync_mistakes(rig: Rig, place: Place) -> Iterator[ConfigError]:
    """Whoever turns a shaft keeps what it measures: motion ages the unit, and a lost night cannot be turned again."""
    turns = [fixture.id for fixture in rig.fixture if not fixture.port.startswith("virtual:")]
    if rig.bench.fsync == "never" and turns:
        what = (
            f'"never" promises nothing of what is recorded, and the plan of {", ".join(turns)} turns a shaft'
        )
        yield place.mistake("fsync", what, '"1s" or "frame"; "never" only where every port is virtual')


def fixture_mistakes(
    fixture: FixtureSettings, place: Place, figures: Collection[str] | None, followed: Collection[str] | None
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
    found += _bearing_mistakes(fixture.bearing, place)
    found += _channel_mistakes(fixture.channels, place)
    found += _travel_mistakes(fixture, place.inside("travel"))
    found += _protect_mistakes(fixture, place.inside("protect"), figures)
    found += _shunt_mistakes(fixture.shunt, place.inside("shunt"))
    found += trend_mistakes(fixture, place.inside("trend"), followed, figures)
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
    found += _bearing_mistakes(variant.bearing, place)
    accept = place.inside("accept")
    for figure, limit in variant.accept.items():
        if figures is not None and figure not in figures:
            what = f"unknown figure {shown(figure)}{did_you_mean(figure, figures)}"
            found.append(accept.mistake(figure, what, listed(sorted(figures))))
        inside = accept.inside(figure)
        found += acceptance_mistakes(inside, limit)
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
    if not isinstance(card.mark_deg, UnsetType) and not 0 <= card.mark_deg < TURN_DEG:
        what = f"{shown(card.mark_deg)} is no angle of a turn"
        found.append(place.mistake("mark_deg", what, "0 to below 360 degrees from the encoder's zero"))
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
        allowed = "a folder in the folder of this file, or an absolute path; without .."
        yield place.mistake("data", f"{shown(bench.data)} is not a place for recordings", allowed)
    if bench.timezone != UTC and bench.timezone not in (known := time_zones()):
        what = f"{shown(bench.timezone)} is not a time zone{did_you_mean(bench.timezone, known)}"
        yield place.mistake("timezone", what, '"UTC", or an IANA name such as "Europe/Vienna"')


def _mqtt_mistakes(mqtt: MqttPart, place: Place) -> Iterator[ConfigError]:
    allowed = "mqtt://host or mqtts://host, with or without :port; without path, user and password"
    try:
        url = urlsplit(mqtt.url)
        good = url.scheme in {"mqtt", "mqtts"} and url.hostname and url.port != 0
    except ValueError:
        yield place.mistake("url", f"{shown(mqtt.url)} is not a broker's address", allowed)
        return
    if "@" in url.netloc:
        yield place.mistake(
            "url", "contains a user or a password", f"{allowed}; the user goes into [mqtt] username"
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
        what = f"{fixture.samples_per_block} samples at rate_hz = {fixture.rate_hz} last {fixed(block_s * 1000, 0)} ms"
        most = int(fixture.rate_hz * BLOCK_S_MAX)
        yield place.mistake("samples_per_block", what, f"at most 100 ms: 10 to {most} at this rate")
    measuring = ((SLOW_TURN, fixture.plan.slow_turn), (HOLD, fixture.plan.hold))
    for table, phase in (*measuring, *fixture.plan.conditioning.items()):
        if phase is None:
            continue
        counts = fixture.encoder.counts_per_rev * phase.speed_rpm / 60 * GRID_S
        if counts < COUNTS_PER_CELL_MIN:
            least = COUNTS_PER_CELL_MIN / GRID_S * 60 / fixture.encoder.counts_per_rev
            what = f"{typed(phase.speed_rpm)} is too slow for this encoder: {fixed(counts, 1)} counts in 50 ms cannot show steady turning"
            allowed = f"from {number(least, 3)} with counts_per_rev = {fixture.encoder.counts_per_rev}, or a finer encoder"
            yield place.inside("plan").inside(table).mistake("speed_rpm", what, allowed)


def _transducer_mistakes(transducer: Transducer, place: Place) -> Iterator[ConfigError]:
    factor, sensitivity = transducer.factor_nm_per_v, transducer.sensitivity_mv_per_v
    one_of = "serial, or factor_nm_per_v, or sensitivity_mv_per_v with rated_torque_nm"
    if transducer.serial and not TRANSDUCER_SERIAL.fullmatch(transducer.serial):
        yield place.mistake("serial", f"{shown(transducer.serial)} is not a serial", SERIAL_RULE)
    if factor is not None and sensitivity is not None:
        yield place.mistake(
            "factor_nm_per_v", "is given together with sensitivity_mv_per_v", "one of the two, not both"
        )
    elif sensitivity is not None and transducer.rated_torque_nm is None:
        yield place.mistake("sensitivity_mv_per_v", "needs rated_torque_nm", "both, or factor_nm_per_v alone")
    elif not transducer.serial and factor is None and sensitivity is None:
        yield place.mistake("", "neither a serial nor a factor: volts cannot be converted to N·m", one_of)


def _bearing_mistakes(bearings: Sequence[Bearing], place: Place) -> Iterator[ConfigError]:
    names = Counter(bearing.name for bearing in bearings)
    for bearing in bearings:
        at = place.inside("bearing").entry(bearing.name, named=True)
        if (
            not bearing.name.strip()
            or not bearing.name.isprintable()
            or len(bearing.name) > NAME_CHARACTERS_MAX
        ):
            allowed = f"one line of 1 to {NAME_CHARACTERS_MAX} characters"
            yield at.mistake("name", f"{shown(bearing.name)} is not a name", allowed)
        if names[bearing.name] > 1:
            yield at.mistake(
                "name",
                f"{shown(bearing.name)} is the name of {names[bearing.name]} bearings",
                "a different name for each",
            )
            names[bearing.name] = 1  # reported once
        parts = (bearing.balls, bearing.ball_mm, bearing.pitch_mm)
        given = sum(part is not None for part in parts)
        if bool(bearing.orders) == bool(given) or 0 < given < len(parts):
            what = (
                "is given beside the parts"
                if bearing.orders and given
                else "is missing, and so are the parts or some of them"
            )
            yield at.mistake("orders", what, "orders, or balls with ball_mm and pitch_mm")
        elif (
            bearing.ball_mm is not None
            and bearing.pitch_mm is not None
            and bearing.ball_mm >= bearing.pitch_mm
        ):
            what = f"{typed(bearing.ball_mm)} is not below pitch_mm = {typed(bearing.pitch_mm)}"
            yield at.mistake(
                "ball_mm", what, "the diameter of a ball; pitch_mm is of the circle through their centres"
            )


def _channel_mistakes(channels: Channels, place: Place) -> Iterator[ConfigError]:
    """That there is such a channel is known when the device has said what it has."""
    at, roles = place.inside("channels"), Counter(channels.given.values())
    for role, name in channels.given.items():
        if roles[name] > 1:
            what = f"{shown(name)} is the channel of {roles[name]} temperatures"
            yield at.mistake(role, what, "another channel for each")
            roles[name] = 1  # reported once


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
            yield place.inside(name).mistake("max", f"{typed(limit.max)} is out of range", "a number above 0")
        if confirming(limit.confirm) is None:
            yield place.inside(name).mistake("confirm", f"{shown(limit.confirm)} is no such count", ALLOWED)
        elif limit.confirm and name == RAW_LIMIT:
            what = f"{shown(limit.confirm)}: a raw channel does not wait for cycles"
            yield place.inside(name).mistake("confirm", what, "no such key here; figures may have one")
    torque, hold, most = fixture.protect.get(RAW_LIMIT), fixture.plan.hold, fixture.plan.torque_nm_max
    if torque is not None and 0 < torque.max <= most:
        what = f"{typed(torque.max)} would end every cycle: the plan holds {typed(most)} N·m"
        yield place.inside(RAW_LIMIT).mistake("max", what, f"a number above {typed(most)}")
    mean = fixture.protect.get(HELD_FIGURE)
    if mean is not None and hold is not None and 0 < mean.max <= hold.torque_nm:
        what = (
            f"{typed(mean.max)} would be exceeded in every cycle: the plan holds {typed(hold.torque_nm)} N·m"
        )
        yield place.inside(HELD_FIGURE).mistake("max", what, f"a number above {typed(hold.torque_nm)}")


def _shunt_mistakes(shunt: Shunt, place: Place) -> Iterator[ConfigError]:
    expects = shunt.resistance_ohm is not None or shunt.step_nm is not None
    if shunt.resistance_ohm is not None and shunt.step_nm is not None:
        yield place.mistake("step_nm", "is given together with resistance_ohm", "one of the two, not both")
    if shunt.resistance_ohm is not None and shunt.resistance_ohm < SHUNT_ARMS_MIN * shunt.arm_ohm:
        what = f"{typed(shunt.resistance_ohm)} cannot be a shunt for an arm of {typed(shunt.arm_ohm)} ohm"
        allowed = f"from {number(SHUNT_ARMS_MIN * shunt.arm_ohm)}, in ohm and not in kilohm"
        yield place.mistake("resistance_ohm", what, allowed)
    if shunt.on_exceed == "stop" and not (shunt.check and expects):
        what = '"stop" needs a check and something that is expected of it'
        yield place.mistake(
            "on_exceed", what, 'resistance_ohm or step_nm in the same table and check = true, or "warn"'
        )


def _plan_mistakes(fixture: FixtureSettings, place: Place) -> Iterator[ConfigError]:
    plan = fixture.plan
    exercise = place.inside(EXERCISE)
    if plan.exercise.strokes % 2:
        what = f"{plan.exercise.strokes} is odd: every cycle would end {typed(plan.exercise.angle_deg)}° further on and wind the cable up"
        yield exercise.mistake("strokes", what, "an even number; a stroke is one way")
    for name, phase in ((SLOW_TURN, plan.slow_turn), (HOLD, plan.hold)):
        if phase is None or not plan.exercise.strokes:
            continue
        if abs(plan.exercise.speed_rpm / phase.speed_rpm - 1) <= SPEED_CLASS_GAP + 1e-9:
            slow, fast = phase.speed_rpm * (1 - SPEED_CLASS_GAP), phase.speed_rpm * (1 + SPEED_CLASS_GAP)
            what = f"{typed(plan.exercise.speed_rpm)} is too near {name}.speed_rpm = {typed(phase.speed_rpm)}: phases are distinguished by speed"
            yield exercise.mistake("speed_rpm", what, f"below {number(slow)} or above {number(fast)}")
    yield from routine_mistakes(fixture, place)
