"""Fixtures that recover at once: what msgspec works out at a type's first use is worked out before there are threads."""

import ast
import shutil
import subprocess
import sys
from pathlib import Path

from tests.bench.test_recovery import killed, play
from tests.simulation.scene import settings_of

import nightturn
from nightturn.bench.decoders import TYPES
from nightturn.model.facts import KINDS

FIXTURES = ("pan-a1", "pan-a2", "pan-a3", "pan-a4")
STARTS = 3  # without the cure two of three such starts crash
ROOMS = ("acquisition", "bench", "calibration", "fixture", "settings", "storage", "timebase")
# of `list_runs`, of `Run.samples`, of who holds a lock; `kind` is one of `facts.KINDS`, which are all among the types
# the rig file and its shape are read before there is a thread
# results of `reanalyse`, certificates, class limits and studies are read by commands of their own
ON_THE_LOOP_OR_FOR_READERS = {
    "NightVerdict",
    "Certificate",
    "StudyPlan",
    "Classes",
    "_OnCard",
    "Facts",
    "_Torque",
    "Holder",
    "Limits",
    "Rig",
    "kind",
}
CHILD = """
import sys, threading
sys.setswitchinterval(1e-6)
from pathlib import Path
from nightturn.bench.recovery import recover
from nightturn.bench.worlds import real_world
from nightturn.storage.journal import Journal

world, fixtures = real_world(Path(sys.argv[1])), sys.argv[2:]
together, found = threading.Barrier(len(fixtures)), []

def start(fixture):
    together.wait()
    found.append(recover(world.files, Journal(world.files, fixture, world.clock), fixture).beginning.run)

threads = [threading.Thread(target=start, args=(fixture,)) for fixture in fixtures]
for thread in threads:
    thread.start()
for thread in threads:
    thread.join()
assert len(found) == len(fixtures) and all(found), found
"""


def test_fixtures_that_recover_at_once_do_not_crash_the_interpreter(tmp_path: Path) -> None:
    left = tmp_path / "left"
    for fixture in FIXTURES:
        play(left, killed, 3.0, settings=settings_of(id=fixture))
    for number in range(STARTS):
        root = tmp_path / f"{number}"
        shutil.copytree(left, root)
        ended = subprocess.run(
            [sys.executable, "-X", "faulthandler", "-c", CHILD, str(root), *FIXTURES],
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )
        assert ended.returncode == 0, ended.stderr


def test_no_type_that_is_decoded_in_a_thread_is_forgotten() -> None:
    known = {each.__name__ for each in TYPES} | ON_THE_LOOP_OR_FOR_READERS
    host = Path(nightturn.__file__).parent
    decoded: dict[str, str] = {}
    for path in (path for room in ROOMS for path in (host / room).glob("*.py")):
        for call in (node for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Call)):
            for word in call.keywords:
                if word.arg == "type" and ast.unparse(call.func).endswith("decode"):
                    decoded[ast.unparse(word.value).rpartition(".")[2]] = path.name
            if ast.unparse(call.func) == "msgspec.convert":
                decoded[ast.unparse(call.args[1]).rpartition(".")[2]] = path.name
    decoded = {
        name: where for name, where in decoded.items() if name.isidentifier() and not name.startswith("dict")
    }
    assert len(decoded) > 8
    assert set(KINDS.values()) <= set(TYPES)
    assert set(decoded) <= known, {name: decoded[name] for name in set(decoded) - known}
