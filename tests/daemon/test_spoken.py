"""What of a fixture's rows stands in the daemon's log, and in which words."""

import pytest
from structlog.testing import capture_logs
from tests.daemon.speaking import FIGURES, cycle, state

from nightturn.daemon.spoken import Spoken
from nightturn.daemon.wording import cycle_text, stored_text
from nightturn.model.figures import Figure
from nightturn.model.nights import NightVerdict
from nightturn.model.records import Emit
from nightturn.model.rows import CYCLES, EVENTS, RUN_ENDED, STATE, EventRow, RunEnded
from nightturn.storage.entries import Amounts


@pytest.mark.parametrize(
    ("kind", "severity", "level"),
    [
        ("motion_announced", "info", "info"),
        ("torque_trip", "alarm", "error"),
        ("line_lost", "warning", ""),
        ("wall_clock_stepped", "warning", "warning"),
        ("firmware", "info", ""),
    ],
)
def test_motion_warnings_and_alarms_are_in_the_log_at_their_level(
    kind: str, severity: str, level: str
) -> None:
    with capture_logs() as said:
        Spoken(["pan-a1"]).offer("pan-a1", Emit(EVENTS, EventRow(0, 0, 0, kind, severity, "turns in 5 s")))
    wanted = [{"event": kind, "fixture": "pan-a1", "detail": "turns in 5 s", "log_level": level}]
    assert said == (wanted if level else [])


def test_a_cycle_is_one_line_with_number_figures_and_verdict() -> None:
    spoken = Spoken(["pan-a1"])
    spoken.offer("pan-a1", Emit(STATE, state()))
    with capture_logs() as said:
        spoken.offer("pan-a1", Emit(CYCLES, cycle()))
    (line,) = said
    assert (line["event"], line["cycle_no"], line["verdict"]) == ("cycle", 11, "accept")
    assert line["detail"] == (
        "cycle 11 of 150: ripple 80.97 ± 0.45 mN·m, cogging 69.25 ± 0.73 mN·m, friction 89.10 ± 0.20 mN·m "
        "(± is repeatability); accept"
    )


def test_a_cycle_says_why_it_is_rejected_and_what_it_lacks() -> None:
    refused = (*FIGURES[:1], Figure("cogging_pp_nm", None, status="refused"), FIGURES[3])
    text = cycle_text(
        cycle(
            verdict="reject",
            verdict_reasons=("friction is beyond",),
            status="incomplete",
            reasons=("the last was cut off in its strokes",),
            figures=refused,
        ),
        150,
    )
    assert (
        "cogging refused, friction 89.10 ± 0.20 mN·m (± is repeatability); reject; incomplete: the last"
        in text
    )
    assert text.endswith("(friction is beyond)")


@pytest.mark.parametrize(("word", "level"), [("reject", "warning"), ("undecided", "info")])
def test_the_verdict_of_a_night_is_said_with_its_numbers_and_what_would_decide_it(
    word: str, level: str
) -> None:
    verdict = NightVerdict(
        word, ("friction_nm: 89.0 ± 1.4 mN·m",), (), ("9 more cycles",), 93, 150, purpose="release"
    )
    with capture_logs() as said:
        spoken = Spoken(["pan-a1"])
        spoken.offer("pan-a1", Emit(EVENTS, EventRow(0, 0, 0, "night_verdict", "warning", word)))
        spoken.offer("pan-a1", Emit(RUN_ENDED, RunEnded(0, "R", "the plan is done", "the plan", verdict)))
    (line,) = said
    assert (line["event"], line["word"], line["log_level"]) == ("night_verdict", word, level)
    assert line["detail"] == (
        f"{word} over 93 of 150 cycles: friction_nm: 89.0 ± 1.4 mN·m; would decide: 9 more cycles; release"
    )


def test_what_motion_waits_for_is_said_once_for_each_sentence() -> None:
    spoken = Spoken(["pan-a1"])
    with capture_logs() as said:
        for sentence in ("waits: the guard is open", "waits: the guard is open", "", "about to turn"):
            spoken.offer("pan-a1", Emit(STATE, state("allowed", waits_for=sentence)))
    assert [line["detail"] for line in said] == ["waits: the guard is open", "about to turn"]


def test_a_run_that_opens_says_what_it_is_and_that_nothing_turns_yet() -> None:
    spoken = Spoken(["pan-a1"])
    with capture_logs() as said:
        spoken.waits_for_card("pan-a1", "no unit is mounted")
        spoken.run_opened("pan-a1", "20261126T180000Z-24a9", "Q-0117", 190.0, resumed=False)
        spoken.run_opened("pan-a1", "20261126T180000Z-24a9", "Q-0117", 190.0, resumed=True)
    assert [line["detail"] for line in said] == [
        "no unit is mounted; `nightturn mount` of a unit on pan-a1 opens a run",
        "run 20261126T180000Z-24a9 of Q-0117 begins; it records, and nothing turns until `nightturn go`",
        "run 20261126T180000Z-24a9 of Q-0117 goes on",
    ]


@pytest.mark.parametrize(
    ("amounts", "missing", "ended", "text"),
    [
        (Amounts(73178, 1, 0, 227_521), 0, True, "73178 samples, 1 cycle and no gaps are stored in 227.5 kB"),
        (
            Amounts(28_800_000, 150, 2, 41_300_000),
            3200,
            False,
            "28800000 samples, 150 cycles and 2 gaps (3200 samples missing) are stored in 41.3 MB; the next start goes on with it",
        ),
    ],
)
def test_the_farewell_says_how_much_is_on_the_disk(
    amounts: Amounts, missing: int, ended: bool, text: str
) -> None:
    assert stored_text("R", amounts, missing, ended=ended) == f"run R: {text}"
