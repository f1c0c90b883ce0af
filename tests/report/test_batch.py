"""All units of a variant: the newest night of each counts, and what cannot be said is said."""

from datetime import UTC, datetime, timedelta

import pytest
from tests.pictures.drawing import SVG, check_any, parsed, texts
from tests.report.test_document import Page

from nightturn.errors import RunNotFoundError
from nightturn.model.nights import LimitVerdict, NightVerdict
from nightturn.model.purposes import ENGINEERING, RELEASE, Purpose
from nightturn.pictures.dots import Dot, draw_dots
from nightturn.report.batch import batch_of, figure_words
from nightturn.report.batch_page import batch_page
from nightturn.report.reference import Reference
from nightturn.storage.runs import RunSummary

BEGAN = datetime(2026, 11, 1, 21, tzinfo=UTC)


def night(
    unit: str,
    friction_nm: float | None,
    word: str = "accept",
    *,
    fixture: str = "pan-a1",
    day: int = 0,
    variant: str = "pan15",
    purpose: Purpose = RELEASE,
) -> RunSummary:
    why = () if purpose == RELEASE else ("no reference check is on record",)
    limit = LimitVerdict("friction_nm", "max", "", friction_nm, 0.0002, 50.0, 0.15, word, 100)
    verdict = NightVerdict(word, (), (limit,), purpose=purpose, engineering_because=why) if word else None
    return RunSummary(
        fixture, f"202611{1 + day:02d}T210000Z-{unit[-4:].lower()}", unit, variant, BEGAN + timedelta(days=day), "UTC", "ended", "", "", "",
        kept=False, chunks=1, samples=1, cycles=1, gaps=0, bytes=1, night_verdict=verdict,
    )  # fmt: skip


def runs(*found: RunSummary) -> list[RunSummary]:
    return sorted(found, key=lambda each: each.started_utc, reverse=True)


VALUES = (0.0881, 0.0890, 0.0887, 0.0893, 0.0885, 0.0889)


def test_the_newest_night_of_a_unit_counts_and_releases_it() -> None:
    batch = batch_of(
        runs(night("Q-0001", 0.09), night("Q-0001", 0.16, "reject", day=2), night("Q-0002", 0.088, day=1)),
        "pan15",
    )
    assert [(each.unit, each.verdict, each.nights) for each in batch.units] == [
        ("Q-0001", "reject", 2),
        ("Q-0002", "accept", 1),
    ]
    assert batch.released == ("Q-0002",)
    assert batch.nights == 3


def test_an_accepted_unit_is_released_only_where_its_night_was_for_release() -> None:
    found = runs(night("Q-0001", 0.09), night("Q-0002", 0.09, purpose=ENGINEERING))
    batch = batch_of(found, "pan15")
    assert (batch.released, batch.accepted) == (("Q-0001",), ("Q-0001", "Q-0002"))
    why = "accepted for engineering only: no reference check is on record"
    assert batch.held_back == (("Q-0002", why),)
    assert why in batch_page(batch, Reference({}))


def test_a_newer_night_without_a_verdict_does_not_hide_an_older_one() -> None:
    batch = batch_of(runs(night("Q-0001", 0.09), night("Q-0001", None, "", day=2)), "pan15")
    assert batch.released == ("Q-0001",)


def test_what_to_expect_needs_five_accepted_units() -> None:
    few = batch_of(runs(*(night(f"Q-000{at}", value) for at, value in enumerate(VALUES[:4]))), "pan15")
    assert few.figures[0].expected is None
    assert "what to expect of others needs 5 accepted units, limit 150 mN·m" in figure_words(few.figures[0])
    many = batch_of(runs(*(night(f"Q-000{at}", value) for at, value in enumerate(VALUES))), "pan15")
    expected = many.figures[0].expected
    assert expected is not None
    assert max(VALUES) < expected < 0.092
    assert "with 95 % confidence 95 % of such units lie below" in figure_words(many.figures[0])


def test_a_unit_apart_is_named_and_a_rejected_one_is_not_in_the_envelope() -> None:
    found = [night(f"Q-000{at}", value) for at, value in enumerate(VALUES)]
    with_bad = batch_of(runs(*found, night("Q-0009", 0.1154, "reject", day=1)), "pan15")
    without = batch_of(runs(*found), "pan15")
    assert with_bad.figures[0].expected == without.figures[0].expected
    assert "apart from the others: Q-0009" in figure_words(with_bad.figures[0])
    assert "apart" not in figure_words(without.figures[0])


def test_a_fixture_that_reads_higher_is_named_before_its_units_are() -> None:
    shifted = [night(f"Q-001{at}", value + 0.004, fixture="pan-b1") for at, value in enumerate(VALUES)]
    level = [night(f"Q-000{at}", value) for at, value in enumerate(VALUES)]
    assert "pan-b1 reads higher than pan-a1" in figure_words(
        batch_of(runs(*level, *shifted), "pan15").figures[0]
    )
    alike = [night(f"Q-001{at}", value, fixture="pan-b1") for at, value in enumerate(VALUES)]
    assert "do not differ by more than their units scatter" in figure_words(
        batch_of(runs(*level, *alike), "pan15").figures[0]
    )
    assert "nothing can be said of the rig" in figure_words(batch_of(runs(*level), "pan15").figures[0])
    assert "nothing can be said of the rig" in figure_words(
        batch_of(runs(*level, shifted[0]), "pan15").figures[0]
    )


def test_a_variant_without_a_run_names_those_that_have_one() -> None:
    with pytest.raises(RunNotFoundError, match="no run of variant 'pan51'; did you mean \"pan15\""):
        batch_of(runs(night("Q-0001", 0.09)), "pan51")


def test_the_page_has_a_dot_a_unit_and_hostile_serials_are_text() -> None:
    batch = batch_of(
        runs(
            *(night(f"Q-000{at}", value) for at, value in enumerate(VALUES)),
            night("<script>x</script>", 0.09),
        ),
        "pan15",
    )
    page = Page(batch_page(batch, Reference({})))
    assert not any(tag == "script" for tag, _ in page.tags)
    assert sum(tag == "circle" for tag, _ in page.tags) == 7
    assert "<script>x</script>" in "".join(page.words)


def test_dots_carry_their_interval_limit_and_rig() -> None:
    dots = [Dot("Q-1", "a", 0.1, 0.01, outlying=False), Dot("Q-2", "b", 0.2, None, outlying=True)]
    picture = draw_dots(
        dots, title="friction", unit="N·m", limit=0.15, upper=True, expected=0.12, name="dots"
    )
    check_any(picture)
    assert {"limit 0.15", "expected below 0.12", "Q-1, a", "Q-2, b apart"} <= set(texts(picture))
    marks = list(parsed(picture).iter(f"{SVG}circle"))
    assert [each.get("fill") == "none" for each in marks] == [False, True]
    empty = draw_dots([], title="friction", unit="N·m", limit=None, upper=True, expected=None, name="dots")
    check_any(empty)
    assert empty.description == "No unit has a judged friction."
