"""A bring-up at rest: no `go` under its card, every prompt with wrong answers, and a rig whose errors are known."""

from dataclasses import dataclass, field
from pathlib import Path

import msgspec
import pytest
from tests.simulation.scene import CARD, FAST, open_scene, run, settings_of

from nightturn.cli.bringup_text import show
from nightturn.daemon.rest_states import look
from nightturn.errors import NightturnError
from nightturn.estimation.at_rest import AtRest, RestLine
from nightturn.model.rest_states import STATES, Looked
from nightturn.model.tasks import BringUpTask
from nightturn.report.at_rest import NOT_SEEN, BroughtUp, Stated, proposals, states_of
from nightturn.settings.rig import Transducer
from nightturn.settings.tasks import under_task
from nightturn.storage.runs import open_run

BRINGING_UP = msgspec.structs.replace(CARD, task=BringUpTask(request="7"))
ZERO_V, BREAKAWAY_NM = 0.025, 0.11


@dataclass
class Typing:
    """A person with these answers, then Ctrl-C; what was said."""

    left: list[str]
    said: list[str] = field(default_factory=list)
    slept_s: float = 0.0
    answers: bool = True

    def say(self, text: str) -> None:
        self.said.append(text)

    def show(self, title: str, rows: tuple[tuple[str, str], ...]) -> None:
        raise AssertionError(f"nothing to show: {title}, {rows}")

    def answer(self, question: str) -> str:
        assert "Type ready when it is so" in question
        if not self.left:
            raise KeyboardInterrupt
        return self.left.pop(0)

    def sleep(self, seconds: float) -> None:
        self.slept_s += seconds

    def utc_ns(self) -> int:
        return round(self.slept_s * 1e9)


def asked(person: Typing) -> tuple[Looked, ...]:
    return look(person, 20.0, person.sleep, person.utc_ns)


def test_only_a_state_that_was_said_to_be_ready_is_looked_at() -> None:
    person = Typing(["yes", "", "READY", "ready", "skip", "5", "ready", "end"])
    found = asked(person)
    assert [each.state for each in found] == [STATES[0], STATES[2]]
    assert all(each.stop_ns - each.start_ns == 20 * 10**9 for each in found)
    assert [text for text in person.said if "none of the three" in text] == [
        f"{wrong!r} is none of the three; nothing was looked at" for wrong in ("yes", "", "READY", "5")
    ]


@pytest.mark.parametrize("before", [[], ["ready"], ["ready", "skip"], ["ready"] * 3])
def test_ctrl_c_at_any_prompt_ends_it(before: list[str]) -> None:
    with pytest.raises(KeyboardInterrupt):
        asked(Typing(list(before)))


def test_all_states_left_out_is_nothing_looked_at() -> None:
    assert asked(Typing(["skip"] * len(STATES))) == ()
    assert asked(Typing(["end"])) == ()


def test_a_rig_with_a_zero_that_is_off_is_found_and_no_go_turns_it(tmp_path: Path) -> None:
    rig = settings_of(port=f"virtual:pan15?seed=7&zero_mv={ZERO_V * 1000:.0f}")
    stretch: list[int] = []

    async def act() -> None:
        scene = open_scene(tmp_path, settings=under_task(rig, BRINGING_UP), card=BRINGING_UP, go=False)
        await scene.until(lambda: scene.station.core.state.watch.inputs_tick >= 0)
        await scene.guard_tried()
        scene.go()
        refusal = scene.station.core.state.motion.permission.refusal
        assert "under which nothing turns" in refusal
        await scene.until(lambda: len(stretch) == 1 or _noted(stretch, scene.world.clock.utc_ns()))
        await scene.until(lambda: scene.world.clock.utc_ns() > stretch[0] + 8 * 10**9)
        stretch.append(stretch[0] + 7 * 10**9)
        scene.station.command("stop", "R. Vale")
        await scene.until(scene.station.ended.is_set)
        assert not scene.moving
        assert scene.count("motion_started") == scene.count("motion_announced") == 0
        await scene.station.let_go()
        await scene.station.close()

    run(act)
    (state,) = states_of(open_run(tmp_path, "pan-a1"), [Looked(STATES[0], stretch[0], stretch[1])], rig, None)
    (line,) = proposals([state], rig)
    assert float(line.line.partition(" = ")[2]) == pytest.approx(state.found.mean_nm / 4.0, abs=1e-6)
    # the virtual unit is always coupled: at rest it may hold up to its breakaway torque beside the zero
    assert abs(state.found.mean_nm - 4.0 * ZERO_V) < BREAKAWAY_NM
    with pytest.raises(NightturnError, match="has samples from"):
        states_of(open_run(tmp_path, "pan-a1"), [Looked(STATES[1], 10**9, 2 * 10**9)], rig, None)


def _noted(stretch: list[int], utc_ns: int) -> bool:
    stretch.append(utc_ns)
    return True


def rest(mean_nm: float, *lines: RestLine, trouble: str = "") -> AtRest:
    return AtRest(mean_nm, 1e-4, 0.002, 0.01, lines, trouble)


HUM = RestLine(60.0, 0.004, 1e-4, "60 Hz mains, 1×")


def test_only_the_uncoupled_state_moves_the_zero_and_a_state_with_trouble_moves_nothing() -> None:
    coupled, uncoupled = Stated("coupled", rest(0.1)), Stated("uncoupled", rest(0.1))
    assert proposals([coupled], FAST) == ()
    (found,) = proposals([uncoupled, coupled], FAST)
    assert (found.line, found.table) == ("zero_v = 0.025", "[fixture.transducer] of pan-a1")
    assert proposals([Stated("uncoupled", rest(0.1, HUM, trouble="the shaft moved meanwhile"))], FAST) == ()
    assert proposals([Stated("uncoupled", rest(5e-5))], FAST) == ()  # 0 within its ±
    turned = settings_of(
        transducer=Transducer(serial="TR-204", factor_nm_per_v=4.0, polarity=-1, zero_v=0.01)
    )
    (found,) = proposals([uncoupled], turned)
    assert found.line == "zero_v = -0.015"


def test_hum_of_the_other_mains_is_said_to_be_that() -> None:
    (found,) = proposals([Stated("coupled", rest(0.1, HUM))], FAST)
    assert found.line == "mains_hz = 60"
    assert proposals([Stated("coupled", rest(0.1, HUM))], settings_of(mains_hz=60)) == ()


def test_what_is_printed_says_what_was_not_seen(capsys: pytest.CaptureFixture[str]) -> None:
    states = (
        Stated("uncoupled", rest(0.1, HUM)),
        Stated("coupled", rest(0.3)),
        Stated("current on", rest(0.0, trouble="the shaft moved meanwhile")),
    )
    show(BroughtUp("20260504T180000Z-ab12", states, proposals(states, FAST)), "bench.toml")
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) <= 80
    said = " ".join(out.split())
    assert "uncoupled: reads 100.00 ± 0.10 mN·m" in said
    assert "line at 60.00 Hz: 4.00 ± 0.10 mN·m peak; 60 Hz mains, 1×" in said
    assert "this is no zero, and nothing is to be tared on it" in said
    assert "current on: not used, the shaft moved meanwhile" in said
    assert "zero_v = 0.025 # uncoupled it reads 100.00 ± 0.10 mN·m and should read 0" in said
    assert NOT_SEEN in said
