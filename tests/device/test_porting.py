"""PORTING.md: its numbers are recomputed, its snippets run, and every command, name and label in it exists."""

import inspect
import math
import os
import pty
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.device.build import DEVICE, built
from tests.waiting import wait

from nightturn.calibration.bridge import shunt_ohm_for_step, shunt_step_mv_per_v
from nightturn.cli import VERBS
from nightturn.outlook.plan import outlook
from nightturn.outlook.wire_outlook import LINE_BITS_PER_BYTE, block_wire_bytes
from nightturn.settings.load import load_rig, variants_for
from nightturn_protocol import messages as wire
from nightturn_protocol.framing import frame_body, to_wire
from nightturn_protocol.messages import DATA_FRAME_BYTES, WIRE_LOAD_PCT_MAX, EncoderForm

ROOT = DEVICE.parents[1]
TEXT = (DEVICE / "PORTING.md").read_text(encoding="utf-8")
FENCED = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)
PROSE = FENCED.sub("", TEXT)
BLOCK_SAMPLES = 100
RING_BYTES = 65_536  # NT_RING_BYTES of nt_config.h
USUAL_BAUD = (115_200, 230_400, 460_800, 921_600, 2_000_000, 3_000_000)
HANG_S = 60.0
NIGHTTURN = Path(sys.executable).with_name("nightturn")
TAPE_BYTES = 60_000  # some seconds at 1000 samples/s
LABELS = (  # of linktest, as the guide quotes them
    "processor load",
    "farthest off its tick",
    "wrong bits",
    "round trips",
    "restarts of the device",
    "torque since the last OPEN",
    "last crash",
    "self-test",
    "sheet",
    "rates",
    "channels",
    "features",
    "limits",
    "inputs",
    "boot",
    "frequency",
)


def table(name: str) -> list[list[str]]:
    """The cells of a table between its marks, without head and rule."""
    part = TEXT.split(f"<!-- recomputed by a test: {name} -->")[1].split(f"<!-- end of {name} -->")[0]
    rows = [line.strip("| ").split(" | ") for line in part.strip().splitlines()]
    return [[cell.strip() for cell in row] for row in rows[2:]]


def snippets(language: str) -> list[str]:
    return [content for kind, content in FENCED.findall(TEXT) if kind == language]


def test_the_table_of_lines_is_what_frames_and_load_give() -> None:
    rows = table("lines")
    frame = block_wire_bytes(BLOCK_SAMPLES, EncoderForm.DELTA16)
    expected = []
    for rate in (1000, 2000, 4000, 5000, 10_000, 20_000):
        bytes_per_s = rate // BLOCK_SAMPLES * frame
        least = math.ceil(bytes_per_s * LINE_BITS_PER_BYTE * 100 / WIRE_LOAD_PCT_MAX)
        usual = next(baud for baud in USUAL_BAUD if baud >= least)
        lasts_s = f"{RING_BYTES / bytes_per_s:.1f} s"
        expected.append([str(rate), str(bytes_per_s), str(least), str(usual), lasts_s])

    assert rows == expected
    assert f"÷ 100 × {frame};" in TEXT
    assert f"ring ÷ {frame}." in TEXT


def test_the_sentences_about_the_line_follow_from_the_protocol() -> None:
    narrow = block_wire_bytes(BLOCK_SAMPLES, EncoderForm.DELTA16)
    wide = 2 * block_wire_bytes(BLOCK_SAMPLES // 2, EncoderForm.OFFSET32)
    ring = round(10_000 / BLOCK_SAMPLES * narrow * 2.5)

    assert f"{wide / narrow:.2f} times as much" in TEXT
    assert f"{ring // 1000} {ring % 1000} bytes" in re.sub(r"\s+", " ", TEXT)
    assert narrow <= DATA_FRAME_BYTES


def test_the_rest_of_the_traffic_is_below_what_the_guide_says() -> None:
    numbers = tuple((n, 1.5) for n in range(7))
    slow = wire.Slow(1 << 40, numbers)
    status = wire.Status(*[1] * len(inspect.signature(wire.Status).parameters))
    probed = wire.Probed(1 << 60, 1 << 40, 1 << 40, 1)
    ten_a_second = [len(to_wire(frame_body(each, 1, 1))) for each in (slow, status, probed)]

    assert 10 * sum(ten_a_second) < 2000


def test_the_table_of_shunts_is_what_the_bridge_equation_gives() -> None:
    for step, *resistors in table("shunts"):
        mv_per_v = float(step.removesuffix(" mV/V"))
        for arm_ohm, cell in zip((350.0, 1000.0), resistors, strict=True):
            ohm = float(cell.removesuffix(" Ω"))
            assert ohm == round(shunt_ohm_for_step(mv_per_v, arm_ohm))
            assert shunt_step_mv_per_v(ohm, arm_ohm) == pytest.approx(mv_per_v, rel=1e-5)
    assert "1000 R / (4 Rs + 2 R) mV/V" in TEXT


def test_the_arithmetic_of_the_wiring_is_right() -> None:
    assert (
        f"5 V into 350 Ω are {1000 * 5**2 / 350:.0f} mW, {1000 * 2.5**2 / 350:.0f} mW in each gauge" in TEXT
    )
    assert f"1 kg at its end: {9.81 * 0.5:.1f} N·m" in TEXT
    assert f"{2**32 / 1e6 / 60:.1f} minutes at 1 MHz" in TEXT
    assert f"{12 / 60 * 360 / 1e6:.5f}°" in TEXT
    assert f"80 000 a second, {1e6 / 80_000:.1f} µs apart" in TEXT


def commands() -> Iterator[tuple[str, tuple[str, ...]]]:
    """Every `nightturn` command of the guide: its verb and its options."""
    lines = [line for content in snippets("") for line in content.splitlines()]
    spans = re.findall(r"`(nightturn [^`]*)`", re.sub(r"\s+", " ", PROSE))
    for command in [*lines, *spans]:
        words = command.split()
        if words[0] == "nightturn":
            yield words[1], tuple(word for word in words[2:] if word.startswith("--"))


def test_every_nightturn_command_of_the_guide_exists_with_its_options() -> None:
    found = list(commands())
    helps = {
        verb: subprocess.run([NIGHTTURN, verb, "--help"], capture_output=True, text=True, check=True).stdout
        for verb in {verb for verb, _ in found}
    }

    assert (
        {"ports", "linktest", "check", "mount", "serve", "verify", "runs", "demo"} <= set(helps) <= set(VERBS)
    )
    assert [
        (verb, option) for verb, options in found for option in options if option not in helps[verb]
    ] == []


def test_every_target_of_make_in_the_guide_exists() -> None:
    named = set(re.findall(r"make -C protocol/device ([\w/-]+)", re.sub(r"\s+", " ", TEXT)))
    listed = subprocess.run(["make", "help"], cwd=DEVICE, capture_output=True, text=True, check=True).stdout
    targets = {line.split()[0] for line in listed.splitlines() if line.strip()}

    assert named == {"build/nightturn-native", "mps2", "budget", "help"}
    assert named <= targets


def test_every_name_of_the_core_and_the_drivers_in_the_guide_exists() -> None:
    code = "\n".join(
        path.read_text(encoding="utf-8") for path in DEVICE.rglob("*.[ch]") if "build" not in path.parts
    )
    named = set(re.findall(r"`(?:-D)?(?:struct )?((?:nt|NT|example)_\w+)=?`", TEXT))
    gone = {name for name in named if not re.search(rf"\b{name}", code)}

    assert len(named) > 20
    assert gone == set()


def test_every_label_and_event_that_the_guide_tells_to_look_for_exists() -> None:
    program = "".join(
        path.read_text(encoding="utf-8") for path in (ROOT / "host/nightturn/cli").glob("linktest*.py")
    )
    flat = re.sub(r"\s+", " ", PROSE)
    events = {code.name.lower() for code in wire.EventCode}
    counters = set(inspect.signature(wire.Status).parameters)
    looked_for = set(re.findall(r"`([a-z]+_[a-z_]+)`", flat))

    assert [label for label in LABELS if f"*{label}*" not in flat] == []
    assert [label for label in LABELS if f'"{label}' not in program] == []
    assert {
        "guard_opened",
        "stop_chain",
        "bridge_open",
        "encoder_fault",
        "lease_lapsed",
        "torque_trip",
    } <= looked_for
    assert {"output_expired", "input_changed"} <= looked_for
    assert {
        name for name in looked_for if name.endswith(("_opened", "_lapsed", "_expired", "_trip"))
    } <= events
    assert {name for name in looked_for if name.startswith(("rx_", "tx_"))} <= counters


def test_the_cautions_stand_before_the_first_step() -> None:
    top = re.sub(r"[\s>*]+", " ", TEXT.split("## 1.")[0])

    for words in ("not a safety function", "never instead of it", "the motor coasts", "Qualified people"):
        assert words in top


def test_the_rig_file_of_the_guide_is_one_that_check_accepts(tmp_path: Path) -> None:
    (content,) = snippets("toml")
    (tmp_path / "variants").mkdir()
    example = ROOT / "examples" / "variants" / "pan15.toml"
    (tmp_path / "variants" / "pan15.toml").write_text(example.read_text(encoding="utf-8"), encoding="utf-8")
    bench = tmp_path / "bench.toml"
    bench.write_text(content, encoding="utf-8")
    rig = load_rig(bench)
    (fixture,) = rig.fixture
    (variant,) = variants_for(bench, rig, fixture.id, "pan15")
    found = outlook(fixture, variant)

    assert found.errors == ()
    assert fixture.encoder.counts_per_rev == 40_000  # as the example board's sheet


def test_the_echo_test_of_the_guide_tells_a_good_line_from_one_that_changes_a_byte(tmp_path: Path) -> None:
    script = tmp_path / "echo.py"
    script.write_text(snippets("python")[0], encoding="utf-8")
    said = []
    for changed in (b"", b"\x11"):
        ours, theirs = pty.openpty()
        tty.setraw(theirs)
        echo = threading.Thread(target=_echo, args=(ours, changed), daemon=True)
        echo.start()
        ran = subprocess.run(
            [sys.executable, str(script), os.ttyname(theirs), "921600"],
            capture_output=True,
            text=True,
            timeout=HANG_S,
            check=True,
        )
        said.append(ran.stdout.strip())
        os.close(theirs)
        echo.join(HANG_S)
        os.close(ours)

    assert said == ["good", "100 of 100 pieces came back changed"]


def _echo(line: int, changed: bytes) -> None:
    """Send back what comes, with one byte value turned into another, until the other end is closed."""
    try:
        while content := os.read(line, 4096):
            os.write(line, content.replace(changed, b"?") if changed else content)
    except OSError:  # EIO: nobody holds the other end any more
        return


@pytest.fixture
def native(tmp_path: Path) -> Iterator["subprocess.Popen[str]"]:
    """The native port, started as the guide says, with its line in the folder of the test."""
    build, start, _ = native_commands()
    program = built("nightturn-native")
    assert build == "make -C protocol/device build/nightturn-native"
    assert start.split()[0] == program.relative_to(ROOT).as_posix()
    with subprocess.Popen(
        [str(program), *start.split()[1:]],
        cwd=tmp_path,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as device:
        try:
            assert device.stdout is not None
            assert device.stdout.readline().strip() == "pan-a1.line"
            yield device
        finally:
            device.terminate()


def native_commands() -> list[str]:
    return next(part for part in snippets("") if "nightturn-native --link" in part).splitlines()


def nightturn(folder: Path, words: list[str]) -> str:
    """What a command prints, which must succeed."""
    ran = subprocess.run(
        [NIGHTTURN, *words], cwd=folder, capture_output=True, text=True, timeout=HANG_S, check=False
    )
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return ran.stdout


@pytest.mark.usefixtures("native")
def test_the_native_port_passes_the_link_test_of_the_guide(tmp_path: Path) -> None:
    words = shlex.split(native_commands()[2].replace("--seconds 10", "--seconds 1"))

    assert nightturn(tmp_path, words[1:]).splitlines()[-1].startswith("GOOD")


def test_with_the_guard_open_serve_records_without_moving_and_the_look_of_the_guide_shows_it(
    tmp_path: Path, native: "subprocess.Popen[str]"
) -> None:
    assert native.stdin is not None
    assert native.stdout is not None
    native.stdin.write("guard open\n")
    native.stdin.flush()
    assert native.stdout.readline() == "ok guard open\n"
    (content,) = snippets("toml")
    for ours, plants in (
        ("/dev/serial/by-id/usb-pan-a1", "pan-a1.line"),
        ("40000", "1048576"),
        ("sensitivity_mv_per_v = 2.0\nrated_torque_nm = 15.0", "factor_nm_per_v = 4.0"),  # its sheet is in V
        ("resistance_ohm = 174825", ""),
    ):
        content = content.replace(ours, plants)
    (tmp_path / "bench.toml").write_text(content, encoding="utf-8")
    (tmp_path / "look.py").write_text(snippets("python")[1], encoding="utf-8")
    shutil.copytree(ROOT / "examples" / "variants", tmp_path / "variants")
    (mount,) = re.findall(r"`nightturn (mount [^`]*)`", re.sub(r"\s+", " ", PROSE))
    nightturn(tmp_path, shlex.split(mount))
    with subprocess.Popen(
        [NIGHTTURN, "serve", "bench.toml"], cwd=tmp_path, stdout=subprocess.DEVNULL
    ) as host:
        try:

            def recorded() -> int:
                return sum(path.stat().st_size for path in tmp_path.rglob("*.ntj"))

            wait(
                lambda: host.poll() is not None or recorded() >= TAPE_BYTES,
                lambda: f"{recorded()} bytes only",
                HANG_S,
            )
            assert host.poll() is None
            host.send_signal(signal.SIGINT)
            assert host.wait(HANG_S) == 0
        finally:
            host.kill()
    looked = subprocess.run(
        [sys.executable, "look.py"], cwd=tmp_path, capture_output=True, text=True, timeout=HANG_S, check=True
    ).stdout

    assert "guard_opened" in looked
    assert "torque_raw" in looked
    (deviation,) = re.findall(r"^std +([\d.]+) +([\d.e-]+)$", looked, flags=re.MULTILINE)
    assert float(deviation[0]) > 0
    assert float(deviation[1]) < 1  # the shaft has not moved
