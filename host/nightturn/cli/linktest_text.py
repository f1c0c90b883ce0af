"""What `nightturn linktest` says to a person."""

from collections.abc import Callable, Iterator

import typer

from nightturn.cli.output import NOT_REPORTED, print_pairs, print_table, print_text, print_verdict
from nightturn.linktest.core import LinkTest
from nightturn.linktest.device_facts import DeviceFacts, FirmwareFacts
from nightturn.linktest.report import Report
from nightturn.linktest.round_trips import RoundTripFacts
from nightturn.model.quantities import fixed, number, quantity, typed

BAR_CHARS_MAX = 40

Pairs = list[tuple[str, str]]


def answers(*, quiet: bool) -> Callable[[LinkTest], None]:
    """What to do when the device has answered: say what happens now, or nothing."""

    def say(test: LinkTest) -> None:
        assert test.sheet is not None
        print_text(
            f"{test.sheet.device} answers; test pattern for {number(test.wanted.seconds)} s; nothing is moved: no motion lease, "
            "no drive command"
        )

    return (lambda _test: None) if quiet else say


def show(report: Report) -> None:
    """Everything, the verdict last."""
    print_pairs(f"device: {report.device.sheet.device}", _device(report.device))
    if report.firmware is not None:
        print_pairs("firmware", _firmware(report.firmware))
    print_pairs("now", _now(report))
    if report.counters:
        rows = [
            (name, str(each.start), str(each.end), f"+{each.difference}")
            for name, each in report.counters.items()
        ]
        print_table("counters of the device", ("counter", "start", "end", "in this test"), rows)
    else:
        print_pairs("counters of the device", [("STATUS", NOT_REPORTED)])
    print_pairs("counters of this host", _host(report))
    print_pairs("round trips", _round_trips(report.round_trips))
    for line in _histogram(report.round_trips):
        typer.echo(line)
    print_pairs("clock, against this computer's", _clock(report))
    print_pairs("test pattern", _pattern(report))
    for finding in report.findings:
        print_text(f"found: {finding.detail} ({finding.count} x {finding.kind})")
    for remark in report.remarks:
        print_text(f"remark: {remark}")
    if not report.closed:
        typer.echo("remark: the device has not confirmed that its session is closed")
    print_verdict(report.sentence)


def _device(device: DeviceFacts) -> Pairs:
    sheet = device.sheet
    agrees = "as OPENED says" if device.digest_agrees else "NOT the digest of its bytes"
    return [
        ("firmware", device.firmware),
        ("board", device.board),
        ("wire", f"device {device.wire_device}, host {device.wire_host}"),
        ("boot", f"{device.boot_id}, started by {device.reset_cause}, up {fixed(device.uptime_s, 1)} s"),
        ("clock", f"{device.tick_hz} Hz"),
        ("ring, longest frame", f"{device.ring_bytes} bytes, {device.frame_bytes_max} bytes"),
        ("sheet", f"{device.sheet_bytes} bytes, digest {device.digest}, {agrees}"),
        (
            "torque",
            f"{sheet.torque_bits} bits, {typed(float(sheet.torque_scale))} {sheet.torque_unit} a count",
        ),
        (
            "encoder",
            f"{sheet.counts_per_rev} counts a turn, {'absolute' if sheet.absolute else 'incremental'}",
        ),
        ("rates", f"{', '.join(map(str, sheet.rates_hz))} Hz"),
        ("channels", ", ".join(f"{each.no} {each.name} ({each.unit})" for each in sheet.slow) or "none"),
        ("features", ", ".join(sheet.features) or "none"),
        ("limits", f"{number(sheet.speed_rad_per_s)} rad/s, {quantity(sheet.torque_nm, 'N·m')}"),
        (
            "torque since the last OPEN",
            f"{device.torque_min_counts} to {device.torque_max_counts} counts",
        ),
    ]


def _firmware(firmware: FirmwareFacts) -> Pairs:
    failed, crash = firmware.failed_self_tests, firmware.crash
    return [
        ("build", firmware.build),
        ("flash CRC", firmware.flash_crc),
        ("build options", firmware.config_hash),
        ("self-test", f"FAILED: {', '.join(failed)}" if failed else "passed"),
        ("last crash", f"at {crash.pc}, called from {crash.lr}, cause {crash.cause}" if crash else "none"),
    ]


def _now(report: Report) -> Pairs:
    rows: Pairs = []
    state = report.state
    if state is not None:
        inputs = ", ".join(f"{name} {'on' if on else 'off'}" for name, on in state.inputs.items())
        rows += [
            ("inputs", inputs or "none wired"),
            ("outputs on", ", ".join(state.outputs_on) or "none"),
            ("motion lease", f"{state.lease} (not a safety function)"),
            ("processor load", NOT_REPORTED if state.cpu_pct is None else f"{state.cpu_pct} %"),
        ]
    rows += [(name, number(value)) for name, value in report.slow.items()]
    rows += [("event", event) for event in report.events]
    unseen = report.event_count - len(report.events)
    return [*rows, ("earlier events", str(unseen))] if unseen else rows


def _host(report: Report) -> Pairs:
    host = report.host
    bad = host.bad_cobs + host.bad_crc + host.undersize + host.oversize
    strange = host.malformed + host.unknown + host.foreign_session + host.echoed + host.unmatched_replies
    return [
        ("good frames", str(host.frames)),
        (
            "bad frames",
            f"{bad} (COBS {host.bad_cobs}, CRC {host.bad_crc}, short {host.undersize}, long {host.oversize})",
        ),
        ("frames without meaning", str(strange)),
        ("blocks twice, too late", f"{host.duplicates}, {host.late}"),
        ("RESENDs sent", str(host.resend_requests)),
        ("blocks sent again, given up", f"{host.repaired}, {host.abandoned}"),
        ("gaps", str(host.gaps)),
        ("restarts of the device", str(host.restarts)),
    ]


def _round_trips(trips: RoundTripFacts) -> Pairs:
    rows = [("probes answered", f"{trips.answered} of {trips.sent}")]
    named = (
        ("shortest", trips.min_us),
        ("median", trips.median_us),
        ("99 of 100 within", trips.p99_us),
        ("longest", trips.max_us),
        ("device's longest answer", trips.turnaround_max_us),
    )
    return rows + [(name, f"{fixed(value, 0)} µs") for name, value in named if value is not None]


def _histogram(trips: RoundTripFacts) -> Iterator[str]:
    """A line a bin; a bin with anything in it has a bar."""
    most = max((each.count for each in trips.bins), default=0)
    for each in trips.bins:
        bar = "#" * -(-each.count * BAR_CHARS_MAX // most)
        yield f"  {number(each.from_us):>8} to {number(each.to_us):>8} µs {each.count:>6} {bar}".rstrip()


def _clock(report: Report) -> Pairs:
    clock = report.clock
    if clock is None:
        return [("estimate", "none: too few probes were answered")]
    fast = "fast" if clock.frequency_ppm >= 0 else "slow"
    doubt = f"standard uncertainty {fixed(clock.frequency_u_ppm, 1)} ppm, off by {fixed(clock.frequency_bound_ppm, 0)} ppm at most"
    return [
        ("offset known within", f"{fixed(clock.offset_bound_us, 0)} µs (half the shortest round trip)"),
        ("scatter of the offset", f"{fixed(clock.offset_u_us, 0)} µs (standard uncertainty)"),
        ("frequency", f"{fixed(abs(clock.frequency_ppm), 1)} ppm {fast} ({doubt})"),
    ]


def _pattern(report: Report) -> Pairs:
    pattern = report.pattern
    missing = ", ".join(f"{count} by {cause}" for cause, count in sorted(pattern.missing.items()))
    rows = [
        ("set up", f"{pattern.rate_hz} Hz in blocks of {pattern.samples_per_block}"),
        ("line", f"{fixed(pattern.wire_load_pct, 0)} % of a UART at {pattern.line_baud} baud"),
        ("received", f"{pattern.samples} samples in {fixed(pattern.seconds, 1)} s"),
        ("missing samples", missing or "none"),
        ("blocks repaired by RESEND", str(pattern.repaired_blocks)),
        ("wrong bits", f"{pattern.wrong_bits} in {pattern.wrong_samples} samples"),
        ("farthest off its tick", f"{fixed(pattern.tick_off_samples, 3)} samples"),
    ]
    gaps = [
        ("gap", f"samples {gap.index_from} to {gap.index_to - 1}, by {gap.cause}") for gap in pattern.gaps
    ]
    return rows + gaps
