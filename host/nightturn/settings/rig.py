"""The rig: what is on the bench and what one cycle of it does (`bench.toml`).

The structs describe shape and range; `settings.load` is the only way in, because msgspec validates on conversion and
not in the constructor.
"""

from typing import Annotated, Literal

import msgspec
from msgspec import Meta

from nightturn.model.phases import SOAK, WARM_UP
from nightturn.model.trends import Urgency
from nightturn.settings.part import Part
from nightturn.settings.retained import Retention
from nightturn.settings.web import WebPart

PositiveFloat = Annotated[float, Meta(gt=0)]
PositiveInt = Annotated[int, Meta(gt=0)]
POLES_MAX = 1000
"""Pole pairs or slots of a machine that can be built (common practice, no source); their common multiples are numbers that a table holds."""
Poles = Annotated[int, Meta(ge=1, le=POLES_MAX)]
UTC = "UTC"  # the one time zone that every machine knows
SpeedRpm = Annotated[float, Meta(gt=0, le=600)]


FALSE_ALARMS_PER_NIGHT = 0.05
"""One in twenty nights (common practice, no source)."""
FILTER_U_REL = 0.05
"""Standard uncertainty of a filter's corner, relative: its parts are mostly of 5 to 10 % (common practice, no source)."""


class Transducer(Part, frozen=True, kw_only=True):
    """The torque transducer: its serial names the calibration record, or the factor is given here."""

    serial: str = ""
    mounting: Literal["reaction", "inline"] = "reaction"
    positive: str = "ccw seen from the actuator flange"
    polarity: Literal[1, -1] = 1
    factor_nm_per_v: PositiveFloat | None = None
    sensitivity_mv_per_v: PositiveFloat | None = None
    rated_torque_nm: PositiveFloat | None = None
    excitation_v: PositiveFloat | None = None
    zero_v: float = 0.0


class Encoder(Part, frozen=True, kw_only=True):
    """The angle encoder: counts in a mechanical revolution, sense of counting and what its zero refers to."""

    counts_per_rev: Annotated[int, Meta(ge=1000, le=2**26)]
    sense: Literal[1, -1] = 1
    reference: Literal["absolute", "index", "none"] = "index"


class TurningDrive(Part, frozen=True, kw_only=True):
    """The machine that turns the actuator under test; its own orders are the rig's."""

    pole_pairs: Poles = 4
    slots: Poles = 24


class Bearing(Part, frozen=True, kw_only=True):
    """A bearing of the rig between drive and transducer, or of the unit itself (in its variant), by the orders at which it shows or by the parts they follow from.

    `orders` are of a turn of the shaft, as its maker gives them. Else `balls` in a row, `ball_mm` and `pitch_mm` (diameters), `contact_deg`.
    """

    name: str
    orders: tuple[PositiveFloat, ...] = ()
    balls: Annotated[int, Meta(ge=3, le=200)] | None = None
    ball_mm: PositiveFloat | None = None
    pitch_mm: PositiveFloat | None = None
    contact_deg: Annotated[float, Meta(ge=0, lt=90)] = 0.0


class Filter(Part, frozen=True, kw_only=True):
    """The low-pass before the converter, where the device's sheet states none, or another one.

    `hz` is the corner, where 0.707 is left of a torque; `poles` is 1, or 2 for Butterworth's. `u_rel` is the corner's standard
    uncertainty, relative.
    """

    hz: PositiveFloat
    poles: Literal[1, 2] = 1
    u_rel: Annotated[float, Meta(gt=0, le=0.2)] = FILTER_U_REL


class Channels(Part, frozen=True, kw_only=True):
    """Which slow channel of the device measures which temperature, by its name, where that is not the role's own."""

    bearing: str | None = None
    winding: str | None = None
    housing: str | None = None
    bridge: str | None = None
    ambient: str | None = None

    @property
    def given(self) -> dict[str, str]:
        """The channel of each role that has one."""
        return {role: name for role in self.__struct_fields__ if (name := getattr(self, role)) is not None}


class Travel(Part, frozen=True, kw_only=True):
    """How far the shaft may be turned from where the run began, degrees; cables decide."""

    range_deg: tuple[float, float] = (-2400.0, 2400.0)


class Limit(Part, frozen=True, kw_only=True):
    """A protective limit: acts at once on a raw channel, or at the end of the cycle on a figure.

    With `confirm = "3/5"` a figure acts when it is beyond the limit in three of the newest five cycles that have one, and at once beyond the
    limit by five standard uncertainties.
    """

    max: float
    on_exceed: Literal["stop", "warn"] = "stop"
    confirm: str = ""


HOURS_PER_DAY = 24
Hours = Annotated[float, Meta(gt=0, le=1000)]


class SlopeLimit(Part, frozen=True, kw_only=True):
    """How steep a figure may go before that is said, in its unit, either way: beyond it by all that the 95 % interval leaves open."""

    per_1000_strokes: PositiveFloat | None = None
    per_hour: PositiveFloat | None = None
    say: Urgency = "note"


class Trend(Part, frozen=True, kw_only=True):
    """What the course of a figure over the cycles of a run asks of people: a note, to look at it today, or to act now.

    `on_change` is for a change; `stop` says act now and ends the run, which nothing else here does. `slope` is for one that is too steep, by
    figure. A slope that leads to a limit, of the variant or a protective one, that may be reached within so many hours (one-sided 95 % bound)
    is a note within `limit_within_h`, for today within `limit_today_h`, to act on now within `limit_act_now_h`.
    """

    on_change: Literal["note", "today", "act now", "stop"] = "note"
    limit_within_h: Hours | None = None
    limit_today_h: Hours | None = None
    limit_act_now_h: Hours | None = None
    slope: dict[str, SlopeLimit] = msgspec.field(default_factory=dict)


class Shunt(Part, frozen=True, kw_only=True):
    """The shunt check at the start and the end of a run, with a device that has the relay.

    What its step should be follows from the resistor across one arm of the bridge (`resistance_ohm`, `arm_ohm`), or is
    given as on the certificate (`step_nm`); with neither nothing is expected, and only the change within the run is
    judged. `tolerance_pct` is of the expected step, `change_pct` of the run's first. With `on_exceed = "stop"` no cycle
    begins behind a check at the start that was not met. After the relay has switched `settle_s` pass before a window of
    `window_s` is averaged.
    """

    check: bool = True
    resistance_ohm: PositiveFloat | None = None
    arm_ohm: PositiveFloat = 350.0
    step_nm: PositiveFloat | None = None
    tolerance_pct: PositiveFloat = 1.0
    change_pct: PositiveFloat = 0.1
    on_exceed: Literal["warn", "stop"] = "warn"
    settle_s: Annotated[float, Meta(ge=0.05, le=10)] = 0.3
    window_s: Annotated[float, Meta(ge=0.5, le=30)] = 1.0


class Refcheck(Part, frozen=True, kw_only=True):
    """How old the fixture's reference check may be where a unit is to be released: `every = "7d"`, or hours, `"12h"`."""

    every: Annotated[str, Meta(pattern=r"^[1-9][0-9]{0,3}[dh]$")]

    @property
    def hours(self) -> int:
        """The same in hours."""
        return int(self.every[:-1]) * (HOURS_PER_DAY if self.every.endswith("d") else 1)


class SlowTurn(Part, frozen=True, kw_only=True):
    """Slow passes both ways, unpowered: cogging and friction."""

    revolutions: Annotated[int, Meta(ge=1, le=20)] = 2
    speed_rpm: SpeedRpm = 3.0


class Hold(Part, frozen=True, kw_only=True):
    """The actuator holds a torque while the drive turns it: ripple."""

    torque_nm: PositiveFloat
    revolutions: Annotated[int, Meta(ge=1, le=20)] = 3
    speed_rpm: SpeedRpm = 3.0


class Exercise(Part, frozen=True, kw_only=True):
    """Strokes to and fro that age the unit between measurements; even number, inward first.

    `rest` is whether the shaft rests for the plan's dwell between them, as starts from rest need. `torque_nm` is what the
    actuator holds meanwhile, with one sign both ways, as in the hold; 0 for unpowered.
    """

    strokes: Annotated[int, Meta(ge=0, le=10_000)] = 0
    angle_deg: PositiveFloat = 270.0
    speed_rpm: SpeedRpm = 12.0
    rest: bool = False
    torque_nm: Annotated[float, Meta(ge=0)] = 0.0


class Conditioning(Part, frozen=True, kw_only=True):
    """Unpowered strokes to and fro until a time is over, or until a temperature hardly changes any more; no part of a cycle.

    They begin where the shaft is, inward, and end there. `hours` of turning are the time, or the longest where `until` is
    "equilibrium": over the last `over_min` the temperature of the role `channel` then changes by less than `k_per_h`, its 95 %
    interval included. `otherwise`, `else` in the file, is what follows where that was not reached: the next part of the plan,
    or a stop that waits for a person.
    """

    hours: Annotated[float, Meta(gt=0, le=1000)]
    speed_rpm: SpeedRpm
    angle_deg: PositiveFloat = 270.0
    until: Literal["time", "equilibrium"] = "time"
    channel: Literal["bearing", "winding", "housing", "bridge", "ambient"] | None = None
    k_per_h: PositiveFloat | None = None
    over_min: Annotated[float, Meta(ge=1, le=240)] = 20.0
    otherwise: Literal["go_on", "stop"] | None = msgspec.field(default=None, name="else")


class Soak(Conditioning, frozen=True, kw_only=True):
    """Before the first cycle, and again behind every so many where `every_cycles` says so."""

    every_cycles: PositiveInt | None = None


class Park(Part, frozen=True, kw_only=True):
    """Behind every so many cycles the shaft turns to an angle, from travel zero in the declared sense, and waits for a person."""

    every_cycles: PositiveInt
    angle_deg: float = 0.0


class CyclePlan(Part, frozen=True, kw_only=True):
    """One cycle and how many of them; before the first a warm-up and a soak, between them soaks and stops for a person.

    Attributes:
        when_disk_short: what becomes of motion when only the reserve is left on the disk: it ends, or what turns goes on until little is left of that.
    """

    slow_turn: SlowTurn = SlowTurn()
    hold: Hold | None = None
    exercise: Exercise = Exercise()
    warm_up: Conditioning | None = None
    soak: Soak | None = None
    park: Park | None = None
    dwell_s: Annotated[float, Meta(ge=1.0, le=600)] = 1.2
    cycles: PositiveInt = 1000
    when_disk_short: Literal["stop", "go_on"] = "stop"

    @property
    def conditioning(self) -> dict[str, Conditioning]:
        """What is turned beside the cycles, by its phase."""
        asked = ((WARM_UP, self.warm_up), (SOAK, self.soak))
        return {phase: each for phase, each in asked if each is not None}

    @property
    def has_more_than_cycles(self) -> bool:
        """Whether cycles alone do not say how long it takes."""
        return bool(self.conditioning) or self.park is not None

    @property
    def torque_nm_max(self) -> float:
        """The highest torque that the actuator is to hold."""
        held = self.hold.torque_nm if self.hold else 0.0
        return max(held, self.exercise.torque_nm if self.exercise.strokes else 0.0)


class FixtureSettings(Part, frozen=True, kw_only=True):
    """One station of the bench."""

    id: str
    port: str
    rate_hz: Annotated[int, Meta(ge=100, le=50_000)] = 10_000
    after_restart: Literal["stay", "resume"] = "stay"
    permission_min: Annotated[float, Meta(ge=1, le=240)] = 30.0
    restarts_max: Annotated[int, Meta(ge=0, le=10)] = 3
    guard: Literal["input", "none"] = "input"
    stop_chain: Literal["input", "none"] = "input"
    lamp: Literal["output", "none"] = "output"
    ramp_rad_per_s2: PositiveFloat = 2.0
    chunk_s: Annotated[float, Meta(ge=10, le=3600)] = 300.0
    samples_per_block: Annotated[int, Meta(ge=10, le=120)] = 100
    line_baud: PositiveInt | None = None
    resonance_hz: PositiveFloat | None = None
    mains_hz: Literal[50, 60] = 50
    transducer: Transducer
    encoder: Encoder
    drive: TurningDrive = TurningDrive()
    bearing: tuple[Bearing, ...] = ()
    filter: Filter | None = None
    channels: Channels = Channels()
    travel: Travel = Travel()
    protect: dict[str, Limit] = msgspec.field(default_factory=dict)
    shunt: Shunt = Shunt()
    trend: Trend = Trend()
    refcheck: Refcheck | None = None
    plan: CyclePlan


Fsync = Literal["1s", "frame", "never"]


class BenchPart(Part, frozen=True, kw_only=True):
    """Where the bench is, where its files go (relative to `bench.toml`), and by which clocks its people read times.

    Members of `control_group`, a group of the computer, may command the daemon as its own user may. `fsync` is when the tape
    is made durable: once a second, behind every batch of frames that was read, or never while it is written, which promises
    nothing, so nothing turns. `workers` is how many processes the fixtures of `serve` are spread over; with 1 there is one
    process for all. `false_alarms_per_night` is how often in eight hours the watch over figures may see a change that is none, over all
    fixtures, figures, directions and sides together.
    """

    lab: str
    name: str = "bench"
    data: str = "nights"
    timezone: str = UTC
    control_group: str | None = None
    fsync: Fsync = "1s"
    workers: Annotated[int, Meta(ge=1, le=16)] = 1
    false_alarms_per_night: Annotated[float, Meta(gt=0, le=10)] = FALSE_ALARMS_PER_NIGHT


class MqttPart(Part, frozen=True, kw_only=True):
    """The broker; absent means that nothing is published and everything else works.

    Attributes:
        cafile: the authority to trust instead of the system's. certfile, keyfile: the daemon's own certificate, for a broker that wants one.
        keepalive_s: a daemon that falls silent counts as offline after one and a half of them.
        commands: whether whoever the broker lets write to `cmd/` may acknowledge, pause and stop; never go.
    """

    url: str
    protocol: Literal["auto", "5", "3.1.1"] = "auto"
    username: str | None = None
    cafile: str | None = None
    certfile: str | None = None
    keyfile: str | None = None
    keepalive_s: Annotated[int, Meta(ge=1, le=3600)] = 20
    commands: bool = False


HourMinute = Annotated[str, Meta(pattern=r"^([01]\d|2[0-3]):[0-5]\d$")]


class NotifyPart(Part, frozen=True, kw_only=True):
    """Ways to people; absent means that nobody is sent word. Secrets are not in this file but in the environment.

    Attributes:
        webhook: address that every message is posted to, signed with NIGHTTURN_WEBHOOK_SECRET.
        smtp: `smtps://user@host:465` or `smtp://host:587`; its password is in NIGHTTURN_SMTP_PASSWORD. mail_from, mail_to: of the mail.
        apprise: addresses for the package of that name.
        quiet: from when to when only what is to act on now is sent, by people's clocks.
        escalate_min: so many minutes without an acknowledgement word goes to `escalate_to` too, or to all again.
        alive_at: when a daily word goes out, so that silence is noticed.
    """

    webhook: str | None = None
    smtp: str | None = None
    mail_from: str = "nightturn@localhost"
    mail_to: tuple[str, ...] = ()
    escalate_to: tuple[str, ...] = ()
    apprise: tuple[str, ...] = ()
    quiet: tuple[HourMinute, HourMinute] | None = None
    escalate_min: Annotated[float, Meta(ge=1, le=1440)] | None = None
    alive_at: HourMinute | None = None


class Rig(Part, frozen=True, kw_only=True):
    """The whole of `bench.toml`."""

    schema: Literal[1]
    bench: BenchPart
    mqtt: MqttPart | None = None
    web: WebPart | None = None
    notify: NotifyPart | None = None
    retention: Retention = Retention()
    fixture: tuple[FixtureSettings, ...]
