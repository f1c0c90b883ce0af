"""The result of a link test: what the device is, how the line did, and one plain verdict."""

from dataclasses import dataclass

from nightturn.linktest.core import LinkTest
from nightturn.linktest.device_facts import (
    DeviceFacts,
    FirmwareFacts,
    StateFacts,
    device_facts,
    event_text,
    firmware_facts,
    remarks_on,
    state_facts,
    stray_inputs,
)
from nightturn.linktest.findings import Finding
from nightturn.linktest.link_verdict import GOOD, REPAIRED, Damage, verdict_on
from nightturn.linktest.pattern_check import Gap
from nightturn.linktest.round_trips import RoundTripFacts
from nightturn.linktest.stream_choice import load_pct

# of STATUS, what only ever grows within a boot; 32 bits, and wraps
COUNTERS = (
    "rx_bad_crc",
    "rx_bad_cobs",
    "rx_oversize",
    "rx_overrun",
    "tx_stalls",
    "blocks_overwritten_unsent",
    "adc_overrange",
    "encoder_errors",
    "resent",
    "leases_refused",
    "ring_high_water",
)
RX_COUNTERS = ("rx_bad_crc", "rx_bad_cobs", "rx_oversize", "rx_overrun")


@dataclass(frozen=True, slots=True)
class Counter:
    """A counter of STATUS at the start of the stream and at its end."""

    start: int
    end: int
    difference: int


@dataclass(frozen=True, slots=True)
class HostCounters:
    """What this host counted, by the names it has for it.

    Attributes:
        frames: valid ones.
        bad_cobs, bad_crc, undersize, oversize: pieces of bytes that were no frame, by what was wrong.
        torn: 1 when the first bytes were the rest of a frame.
        malformed, unknown, foreign_session, echoed, unmatched_replies: valid frames that made no sense.
        duplicates, late: blocks that came twice, or after they had been given up.
        resend_requests: RESENDs sent.
        repaired: blocks that came after they had been asked for again.
        abandoned: blocks given up.
        gaps: stretches of samples that never came.
        restarts: of the device.
    """

    frames: int
    bad_cobs: int
    bad_crc: int
    undersize: int
    oversize: int
    torn: int
    malformed: int
    unknown: int
    foreign_session: int
    echoed: int
    unmatched_replies: int
    duplicates: int
    late: int
    resend_requests: int
    repaired: int
    abandoned: int
    gaps: int
    restarts: int


@dataclass(frozen=True, slots=True)
class ClockFacts:
    """The device's clock against this computer's.

    Attributes:
        offset_bound_us: half the shortest round trip: what no method can see.
        offset_u_us: standard uncertainty of the offset, within that bound.
        frequency_ppm, frequency_u_ppm: by how much the device's clock is fast, and the standard uncertainty.
        frequency_bound_ppm: how far off that can be at most; a line whose delays change during the test hides so much.
    """

    offset_bound_us: float
    offset_u_us: float
    frequency_ppm: float
    frequency_u_ppm: float
    frequency_bound_ppm: float


@dataclass(frozen=True, slots=True)
class PatternFacts:
    """The stream of the test pattern.

    Attributes:
        wire_load_pct: how much of a line of `line_baud` it fills.
        missing: samples that never came, by cause: link, device, overwritten, host.
        gaps: the first of them.
        wrong_bits, wrong_samples: against the pattern.
        tick_off_samples: the largest distance from the nominal tick, sample periods.
    """

    rate_hz: int
    samples_per_block: int
    line_baud: int
    wire_load_pct: float
    seconds: float
    samples: int
    blocks: int
    missing: dict[str, int]
    gaps: tuple[Gap, ...]
    tail_blocks_lost: int
    repaired_blocks: int
    wrong_bits: int
    wrong_samples: int
    tick_off_samples: float


@dataclass(frozen=True, slots=True)
class Report:
    """The complete result.

    Attributes:
        ok: every sample came and not a single bit was wrong.
        verdict: `good`, `repaired` (good, but not at the first go), `failed` or `interrupted`.
        sentence: the verdict for a person.
        closed: the device has confirmed that its session is closed.
    """

    ok: bool
    verdict: str
    sentence: str
    port: str
    closed: bool
    device: DeviceFacts
    firmware: FirmwareFacts | None
    state: StateFacts | None
    slow: dict[str, float]
    counters: dict[str, Counter]
    host: HostCounters
    round_trips: RoundTripFacts
    clock: ClockFacts | None
    pattern: PatternFacts
    events: tuple[str, ...]
    event_count: int
    findings: tuple[Finding, ...]
    remarks: tuple[str, ...]


def report_of(test: LinkTest, port: str) -> Report:
    """The result of a test that is done.

    Raises:
        NightturnError: why the test could not be made.
    """
    if test.failure is not None:
        raise test.failure
    assert test.sheet is not None
    first, sheet, status = test.ups[0], test.sheet, test.last_status
    host, counters, pattern = _host(test), _counters(test), _pattern(test)
    verdict, sentence = verdict_on(test, damage_of(host, counters))
    remarks = list(remarks_on(first.opened, first.sheet, sheet))
    if status is not None and stray_inputs(status, sheet):
        remarks.append(stray_inputs(status, sheet))
    names = {channel.no: f"{channel.name} {channel.unit}" for channel in sheet.slow}
    return Report(
        ok=verdict in {GOOD, REPAIRED},
        verdict=verdict,
        sentence=sentence,
        port=port,
        closed=test.closed,
        device=device_facts(first.opened, first.sheet, sheet),
        firmware=None if test.firmware is None else firmware_facts(test.firmware),
        state=None if status is None else state_facts(status, sheet),
        slow={names.get(number, f"channel {number}"): value for number, value in sorted(test.slow.items())},
        counters=counters,
        host=host,
        round_trips=test.round_trips.facts(),
        clock=_clock(test),
        pattern=pattern,
        events=tuple(event_text(event, test.sheet) for event in test.events),
        event_count=test.event_count,
        findings=test.findings.all(),
        remarks=tuple(remarks),
    )


def _host(test: LinkTest) -> HostCounters:
    deframer, link, lane, pattern = test.deframer, test.link.counters, test.link.lane, test.pattern
    series = lane.series
    return HostCounters(
        frames=deframer.frames,
        bad_cobs=deframer.bad_cobs,
        bad_crc=deframer.bad_crc,
        undersize=deframer.undersize,
        oversize=deframer.oversize,
        torn=deframer.torn,
        malformed=link.malformed + series.malformed,
        unknown=link.unknown,
        foreign_session=link.foreign_session,
        echoed=link.echoed,
        unmatched_replies=link.unmatched_replies,
        duplicates=series.duplicates,
        late=series.late,
        resend_requests=lane.resends,
        repaired=pattern.repaired,
        abandoned=series.blocks_given_up,
        gaps=pattern.gap_count,
        restarts=len(test.restarts),
    )


def damage_of(host: HostCounters, counters: dict[str, Counter]) -> Damage:
    """What was harmed on the line and recognised, on both ends."""
    here = host.bad_cobs + host.bad_crc + host.undersize + host.oversize
    there = sum(counters[name].difference for name in RX_COUNTERS if name in counters)
    return Damage(here, there)


def _counters(test: LinkTest) -> dict[str, Counter]:
    first, last = test.first_status, test.last_status
    if first is None or last is None:
        return {}
    pairs = ((name, getattr(first, name), getattr(last, name)) for name in COUNTERS)
    return {name: Counter(start, end, (end - start) % (1 << 32)) for name, start, end in pairs}


def _clock(test: LinkTest) -> ClockFacts | None:
    timebase = test.timebase
    most_ppm = test.round_trips.frequency_bound_ppm()
    if timebase is None or timebase.filter is None or timebase.bound_ns is None or most_ppm is None:
        return None
    # the filter's skew says how much longer a device second is, in ns a second
    return ClockFacts(
        offset_bound_us=timebase.bound_ns / 1e3,
        offset_u_us=timebase.u_ns / 1e3,
        frequency_ppm=-timebase.skew_ppm,
        frequency_u_ppm=max(timebase.filter.p11, 0.0) ** 0.5 / 1e3,
        frequency_bound_ppm=most_ppm,
    )


def _pattern(test: LinkTest) -> PatternFacts:
    settings, pattern = test.link.settings, test.pattern
    assert settings is not None
    rate_hz = settings.rate_millihz // 1000
    return PatternFacts(
        rate_hz=rate_hz,
        samples_per_block=settings.samples_per_block,
        line_baud=test.wanted.line_baud,
        wire_load_pct=load_pct(rate_hz, test.wanted.line_baud),
        seconds=test.stream_ns / 1e9,
        samples=pattern.samples,
        blocks=pattern.blocks,
        missing=dict(pattern.missing),
        gaps=tuple(pattern.gaps),
        tail_blocks_lost=test.lost_tail,
        repaired_blocks=pattern.repaired,
        wrong_bits=pattern.wrong_bits,
        wrong_samples=pattern.wrong_samples,
        tick_off_samples=pattern.tick_off_samples,
    )
