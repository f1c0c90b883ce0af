"""A report is one file that needs nothing else, says what is known and nothing more, and is the same for the same run."""

import dataclasses
import re
from datetime import UTC, date, datetime
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from replay_logs.make import Recorded
from tests.cli.terminal import typed
from typing_extensions import override

import nightturn
from nightturn.errors import RunNotFoundError
from nightturn.model.verdicts import REJECT
from nightturn.report.chosen import date_of, of_night, of_unit
from nightturn.report.document import document, file_name
from nightturn.report.night import ReportNight, night_of
from nightturn.sentences.lost import lost_text
from nightturn.storage.runs import RunSummary, list_runs

VOID = {"meta", "img"}


class Page(HTMLParser):
    """What an HTML text is made of: tags with their attributes, and the words between them."""

    def __init__(self, text: str, *, balanced: bool = True) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.balanced = balanced
        self.feed(text)
        assert self.open == [] or not balanced

    @override
    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    @override
    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    @override
    def handle_endtag(self, tag: str) -> None:
        assert not self.balanced or self.open.pop() == tag

    @override
    def handle_data(self, data: str) -> None:
        self.words.append(data)


def night(root: Path) -> ReportNight:
    summary = list_runs(root)[0]
    return night_of(nightturn.open_run(root, summary.fixture, summary.run), summary)


@pytest.fixture(scope="module")
def page(one: ReportNight) -> str:
    return document(one).html


def test_it_is_well_formed_with_no_script_no_style_attribute_and_no_outside_address(page: str) -> None:
    tags = Page(page).tags
    assert not any(tag in {"script", "link", "iframe", "object", "form"} for tag, _ in tags)
    for tag, attributes in tags:
        assert "style" not in attributes, tag
        assert not any(name.startswith("on") for name in attributes)
        for name in ("src", "href"):
            address = attributes.get(name) or "#"
            assert address.startswith(("data:image/png;base64,", "data:image/jpeg;base64,", "#")), (
                tag,
                address[:40],
            )
    assert not re.search(r"@import|url\((?!#)", page)
    ids = [attributes["id"] for _, attributes in tags if "id" in attributes]
    assert len(ids) == len(set(ids))


def test_the_first_page_is_in_its_order(page: str) -> None:
    heads = re.findall(r"<h[12]>(.*?)</h[12]>", page)
    assert heads[1:5] == [
        "What a person must do",
        "Did the night count?",
        "Figures against limits",
        "Could it be the rig?",
    ]
    assert heads[-1] == "What is behind this report"
    assert page.index('class="severity"') < page.index("<h1>") < page.index("What a person must do")


def test_it_says_what_is_missing_and_why(page: str, recorded: Recorded) -> None:
    said = " ".join(Page(page).words)
    gaps = nightturn.open_run(recorded.root).gaps()
    assert len(gaps)
    for cause in set(gaps["cause"]):
        assert lost_text(cause) in said
    assert "Samples were lost " in said
    assert "emergency stop, guards and safe torque off belong in certified hardware" in said


def test_every_picture_has_its_words_and_its_numbers(page: str) -> None:
    found = re.findall(r'<figure id="([^"]+)">(.*?)</figure>', page, re.DOTALL)
    assert {"night", "turn", "orders"} <= {name for name, _ in found}
    for name, inside in found:
        assert inside.count("<svg") == inside.count("<details") == inside.count("<table") == 1, name


def test_numbers_are_those_of_the_api(page: str, recorded: Recorded) -> None:
    run = nightturn.open_run(recorded.root)
    cycles = run.cycles()
    good = cycles[(cycles["status"] == "ok") & (cycles["friction_nm_status"] == "ok")]
    from nightturn.model.quantities import number

    assert len(good)
    last = good.iloc[-1]
    value = number(float(last["friction_nm"]), 3)
    assert value[:5] in page
    assert str(cycles["sums_sha256"].iloc[-1]) in page
    for each in run.chunks("cycles"):
        assert f"<td>{each.name.crc:08x}</td>" in page


def test_the_command_writes_names_and_ends_with_the_verdict(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    outcome = typed(["report", str(recorded.root), "--out", str(tmp_path), "--json"], capsys)
    said: list[dict[str, Any]] = msgspec.json.decode(outcome.out)
    assert len(said) == 1
    assert Path(said[0]["path"]).is_file()
    assert not list(tmp_path.glob(".*"))
    assert said[0]["sentence"] in Path(said[0]["path"]).read_text("utf-8")
    word = list_runs(recorded.root)[0].night_verdict
    assert outcome.code == (1 if word is not None and word.word == REJECT else 0)


def test_two_ways_of_asking_at_once_are_refused(
    recorded: Recorded, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["--unit", "Q-1", "--night", "2026-11-25", "--out", str(tmp_path)]
    outcome = typed(["report", str(recorded.root), *asked], capsys)
    assert outcome.code == 2
    assert "RUN, --unit, --night: are given together; allowed: one of the three" in outcome.err


def test_a_unit_or_night_that_is_not_there_names_those_that_are(recorded: Recorded) -> None:
    runs = list_runs(recorded.root)
    with pytest.raises(RunNotFoundError, match=f"there are runs of {runs[0].unit}"):
        of_unit(runs, "Q-9999")
    with pytest.raises(RunNotFoundError, match=f"the newest nights: {date_of(runs[0])}"):
        of_night(runs, date(2001, 1, 1))


def summary(fixture: str, started: str, timezone: str = "Europe/Vienna") -> RunSummary:
    return RunSummary(
        fixture, started, f"Q-{fixture}", "pan15", datetime.fromisoformat(started).replace(tzinfo=UTC), timezone,
        "ended", "", "", "", kept=False, chunks=1, samples=1, cycles=1, gaps=0, bytes=1,
    )  # fmt: skip


def test_a_night_is_named_after_the_evening_on_which_it_began() -> None:
    evening, small_hours = summary("a", "2026-11-25T21:00:00"), summary("b", "2026-11-26T01:30:00")
    assert date_of(evening) == date_of(small_hours) == date(2026, 11, 25)
    assert [each.fixture for each in of_night([small_hours, evening], date(2026, 11, 25))] == ["a", "b"]
    assert date_of(summary("c", "2026-11-26T11:30:00")) == date(
        2026, 11, 26
    )  # 12:30 by the clocks of the bench


HOSTILE = st.text(min_size=1, max_size=40).filter(lambda text: text.strip() != "")


def test_a_file_name_is_one_name_whatever_the_serial(recorded: Recorded) -> None:
    found = night(recorded.root)

    @given(unit=HOSTILE)
    def held(unit: str) -> None:
        name = file_name(renamed(found, unit))
        assert re.fullmatch(r"report-[A-Za-z0-9_.-]+\.html", name)
        assert len(name) < 140

    held()


def renamed(found: ReportNight, unit: str) -> ReportNight:
    card = msgspec.structs.replace(found.settings.card, unit=unit)
    return dataclasses.replace(found, settings=msgspec.structs.replace(found.settings, card=card))


def test_a_hostile_or_foreign_name_is_text(recorded: Recorded) -> None:
    unit = '<script>alert(1)</script> \u202eQ-1 \u05d0\u05d1 \u5358\u4f53-7 Q" onload="x'
    text = document(renamed(night(recorded.root), unit)).html
    tags = {tag for tag, _ in Page(text).tags}
    assert "script" not in tags
    assert unit.replace("\u202e", "") in "".join(Page(text).words)
    assert "\u202e" not in text


def test_a_run_whose_figures_were_lost_says_so_and_draws_what_is_left(root: Path) -> None:
    for dataset in ("cycles", "curves"):
        for each in (root / dataset).rglob("*.parquet"):
            each.unlink()
    text = document(night(root)).html
    said = " ".join(Page(text).words)
    assert "no cycle is among the files of the run" in said
    assert "cycles were counted for the verdict and 0 are among the files" in said
    assert "Look why there is no cycle." in said
    assert "passes" not in said.split("What a person must do")[0]


def test_a_damaged_file_of_figures_is_named(root: Path) -> None:
    damaged = next((root / "cycles").rglob("*.parquet"))
    content = bytearray(damaged.read_bytes())
    content[len(content) // 2] ^= 0xFF
    damaged.write_bytes(content)
    said = " ".join(Page(document(night(root)).html).words)
    assert damaged.name in said
    assert "nightturn verify" in said
