"""Commands that ask a daemon, open a device or list ports, with invented ones behind them that answer the same always."""

import contextlib
import io
from collections.abc import Callable
from pathlib import Path
from unittest import mock

from tests.linktest.pattern_device import PatternDevice
from tests.linktest.playing import Played
from tests.linktest.test_core import CANONICAL

from nightturn.cli import asking, main
from nightturn.daemon.control_protocol import GO, LOOK, PAUSE, STATUS, STOP, VERSION, Answer, Request
from nightturn.linktest.core import LinkTest
from nightturn.linktest.report import Report
from nightturn.linktest.stream_choice import Wanted
from nightturn.replay.verdict import Outcome
from nightturn.transport.ports import SerialPortEntry

Act = Callable[[], object]

RIG = "rig/bench.toml"
PERSON = ("--operator", "R. Vale")
MOUNT = ("mount", RIG, "pan-a1", "--unit", "Q-0117", "--variant", "pan15", *PERSON, "--travel-zero")
UNMOUNT = ("unmount", "pan-a1", *PERSON, "--reason", "worn out", "--bench", RIG)
WAIT = "nothing turns: the guard is open; waits for `nightturn go pan-b1 --unit Q-0203 --operator NAME`"
REFUSED = (
    "the guard is open; travel unknown since the board restarted, mount the unit again with --travel-zero; the guard has not "
    "been seen open and closed since the last run ended; nothing was changed"
)
DONE = {
    GO: ("announced: permitted by R. Vale", "about to turn; `nightturn stop pan-a1` prevents it"),
    PAUSE: (
        "paused: paused by R. Vale (noise in the hall, and the people next door begin at seven)",
        "paused since 2026-11-25 21:03:11 +00:00; `nightturn go pan-a1 --unit Q-0117 --operator NAME` ends the wait",
    ),
    STOP: (
        "ended: stopped by R. Vale",
        "the run is over and its card used up; `nightturn mount` begins another",
    ),
}
BEFORE_GO = (
    ("unit", "Q-0117, variant pan15, mounted by R. Vale"),
    ("shaft", "at +12.4° of its travel"),
    ("guard", "closed"),
    ("stop chain", 'not wired: bench.toml says "none"'),
    ("clears", "intervention: guard or stop chain opened (since 2026-11-25 21:03:11 +00:00)"),
    ("note", "if unit, cable or transducer was touched meanwhile: `unmount`, then `mount`"),
    ("last permission", "none"),
    (
        "will turn",
        "2 turns each way at 3 rpm, unpowered; 3 turns at 3 rpm holding 5 N·m; 50 strokes of 270° at 12 rpm; up to 2000 cycles",
    ),
)
PORTS = [
    SerialPortEntry(
        "/dev/serial/by-id/usb-quillfen_torque_and_angle_bridge_of_the_basement_0117-if00-port0",
        "/dev/ttyACM0",
        "a torque and angle bridge whose description is longer than a line",
        permitted=True,
    ),
    SerialPortEntry("/dev/ttyS0", "/dev/ttyS0", "", permitted=False),
]
DIFFERS = Outcome(
    name="healthy.ntj",
    identical=False,
    compared_with="every effect, sums and figures: compared within 1e-9; recorded under another numeric fingerprint: "
    "numpy 2.1.0 -> 2.2.0",
    differences=(
        "cycle 3: friction_nm value: 0.08910 -> 0.08912 (2.2e-4 relative); ripple_pp_nm value: 0.08097 -> 0.08099 (2.5e-4 relative)",
        "samples: 90738 expected, 90638 seen",
    ),
    damage=("healthy.ntj: 101 bytes behind record 4711 are not a whole record",),
    cycles=5,
    samples=90638,
    record_last=4711,
    dropped_bytes=101,
    seconds=0.25,
)


def asked(_root: Path, request: Request) -> Answer:
    """What a daemon answers, the same always; a `go` of pan-b1 is refused."""
    if not request.fixture:
        return Answer(VERSION, request.id, ok=True, fixtures=("pan-a1", "pan-b1"))
    turning = request.fixture == "pan-a1"
    if request.command == LOOK:
        return Answer(VERSION, request.id, ok=True, shows=BEFORE_GO if turning else ())
    if request.command == GO and not turning:
        return Answer(VERSION, request.id, ok=False, problem=REFUSED)
    if request.command != STATUS:
        state, waits_for = DONE[request.command]
        return Answer(VERSION, request.id, ok=True, state=state, waits_for=waits_for, kept=True)
    state = "turning: permitted by R. Vale" if turning else "locked: intervention: guard or stop chain opened"
    return Answer(VERSION, request.id, ok=True, state=state, waits_for="" if turning else WAIT)


def typed(*arguments: str) -> Act:
    """A command of the line, with a daemon that answers `asked`."""

    def act() -> None:
        with mock.patch.object(asking, "ask", asked):
            main(arguments)

    return act


def link_tested(_port: str, _wanted: Wanted, _nonce: int, on_stream: Callable[[LinkTest], None]) -> Report:
    """A link test in virtual time, of a device that plays its part."""
    played = Played(PatternDevice(sheet=CANONICAL))
    on_stream(played.test)
    return played.report


def _with(target: str, instead: object, *arguments: str) -> Act:
    def act() -> None:
        with mock.patch(target, instead):
            main(arguments)

    return act


def _unmounted(*more: str) -> Act:
    """Taken off, after it was mounted without a word."""

    def act() -> None:
        with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
            main(MOUNT)
        main((*UNMOUNT, *more))

    return act


def acts(nights: str) -> dict[str, tuple[Act, Act]]:
    """Each command as text and as JSON; `nights` is the data root of a demo, and a rig is in the folder `rig`."""
    of_daemon = {
        "go": ("go", "pan-a1", "--unit", "Q-0117", *PERSON, "--data", nights),
        "go_refused": ("go", "pan-b1", "--unit", "Q-0203", *PERSON, "--data", nights),
        "pause": ("pause", "pan-a1", *PERSON, "--data", nights),
        "stop": ("stop", "pan-a1", *PERSON, "--data", nights),
        "mount": MOUNT,
        "replay": ("replay", nights, "--fixture", "pan-a1"),
    }
    link, ports, replay = (
        "nightturn.linktest.shell.run_link_test",
        "nightturn.transport.ports.serial_ports",
        "nightturn.replay.verdict.replay_log",
    )
    replaced: dict[str, tuple[str, object, tuple[str, ...]]] = {
        "linktest": (link, link_tested, ("linktest", "virtual:pan15?seed=7")),
        "ports": (ports, lambda: PORTS, ("ports",)),
        "ports_none": (ports, list, ("ports",)),
        "replay_differs": (replay, lambda *_: DIFFERS, ("replay", "healthy.ntj")),
    }
    return {
        **{name: (typed(*words), typed(*words, "--json")) for name, words in of_daemon.items()},
        **{
            name: (_with(target, instead, *words), _with(target, instead, *words, "--json"))
            for name, (target, instead, words) in replaced.items()
        },
        "unmount": (_unmounted(), _unmounted("--json")),
    }
