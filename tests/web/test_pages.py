"""What the page answers over a data root: complete without script, refused where it is not ours to answer, fresh by its ETag."""

import dataclasses
import gzip
import shutil
from pathlib import Path
from typing import Any

import pytest
from replay_logs.make import Recorded
from starlette.websockets import WebSocketDisconnect
from tests.web.conftest import BASE, NOW_NS, SOCKET, TestClient, client_of
from tests.web.markup import checked
from typing_extensions import override

from nightturn.logbook.entries import Entry
from nightturn.report.templates import CAUTION
from nightturn.sentences.morning import Severity
from nightturn.storage.logbook import add_entry
from nightturn.storage.runs import RunSummary
from nightturn.web.glance import Glance
from nightturn.web.nights import Nights
from nightturn.web.templates import own_file

HOSTILE = "<script>alert(1)</script>\"'&{{7*7}}"
PAGES = ("/", "/?order=worst", "/fixture/pan-a1")


class Pinned(Nights):
    """A wall of fixtures that a test made up."""

    def __init__(self, root: Path, glances: list[Glance]) -> None:
        super().__init__(root)
        self.glances = glances

    @override
    def wall(self) -> list[Glance]:
        return self.glances

    @override
    def runs(self) -> list[RunSummary]:
        return []


def tile(fixture: str, **others: Any) -> Glance:
    quiet = Glance(
        fixture=fixture,
        run="20261127T230628Z-ffa3",
        unit="Q-0117",
        variant="pan15",
        need=Severity.NOTE,
        quiet=True,
        silent=False,
        turning=True,
        word="turning",
        sentence="Q-0117 passes so far: every figure is inside its limit.",
    )
    return dataclasses.replace(quiet, **others)


@pytest.mark.parametrize("address", PAGES)
def test_every_page_is_well_formed_strict_and_carries_the_caution(client: TestClient, address: str) -> None:
    answer = client.get(address)

    assert answer.status_code == 200
    page = checked(answer.text)
    assert CAUTION in page.text
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"


def test_a_line_of_the_logbook_is_on_its_fixtures_page_as_soon_as_it_is_written(
    recorded: Recorded, tmp_path: Path
) -> None:
    root = tmp_path / "night"
    shutil.copytree(recorded.root, root)
    with client_of(Nights(root)) as browser:
        before = browser.get("/fixture/pan-a1")
        assert "Nobody has written a line about this run" in before.text
        run = Nights(root).runs()[0].run
        add_entry(
            root,
            Entry(
                number=1,
                kind="note",
                utc_ns=NOW_NS,
                by="R. Vale",
                text="the coupling was warm",
                fixture="pan-a1",
                run=run,
            ),
        )
        after = browser.get("/fixture/pan-a1", headers={"if-none-match": before.headers["etag"]})
        assert after.status_code == 200
        assert "R. Vale" in after.text
        assert "the coupling was warm" in after.text


def test_a_fixture_page_is_complete_without_script(client: TestClient) -> None:
    text = client.get("/fixture/pan-a1").text
    page = checked(text)

    assert text.count('<svg xmlns="http://www.w3.org/2000/svg" role="img"') >= 4
    for heading in (
        "What a person must do",
        "The night",
        "Figures against limits",
        "What happened",
        "Could it be the rig?",
    ):
        assert heading in page.text
    assert "the other fixtures" not in page.text  # nobody asked them, so nothing is said of them


def test_a_run_whose_daemon_died_is_silent_and_its_state_is_not_left_standing(client: TestClient) -> None:
    wall = checked(client.get("/").text).text

    assert "one is silent" in wall
    assert "No word from it since 25 Nov 21:03 +00:00." in wall
    assert "what is drawn is from then and older" in wall


def test_a_page_that_has_not_changed_is_not_sent_again_and_one_that_has_is(
    recorded: Recorded, tmp_path: Path
) -> None:
    root = tmp_path / "nights"
    shutil.copytree(recorded.root, root)
    client = client_of(Nights(root))
    before = client.get("/")

    same = client.get("/", headers={"if-none-match": before.headers["etag"]})
    assert (same.status_code, same.content) == (304, b"")

    manifest = next((root / "runs").rglob("*.json"))
    manifest.unlink()
    after = client.get("/", headers={"if-none-match": before.headers["etag"]})
    assert after.status_code == 200
    assert "Nothing can be said of run" in checked(after.text).text


def test_pictures_are_drawn_for_the_width_that_is_asked_for(client: TestClient) -> None:
    narrow, wide = (client.get("/fixture/pan-a1", params={"w": w}).text for w in ("371", "1000"))

    assert 'data-width="360"' in narrow
    assert 'viewBox="0 0 360 ' in narrow
    assert 'viewBox="0 0 1000 ' in wide
    for nonsense in ("-1", "1e9", "99999999999", "<b>", ""):
        assert client.get("/fixture/pan-a1", params={"w": nonsense}).status_code == 200


@pytest.mark.parametrize(
    "address",
    [
        "/fixture/nobody",
        "/fixture/pan-a1/20000101T000000Z-0000",
        "/fixture/..%2f..%2fetc",
        "/own/../nightturn/errors.py",
        "/own/wall.html",
        "/fixture/pan-a1/none/report",
        "/api/v1/fixtures/nobody",
    ],
)
def test_what_is_not_there_is_not_found_and_no_path_leads_out(client: TestClient, address: str) -> None:
    answer = client.get(address)

    assert answer.status_code == 404
    assert len(answer.content) < 500


def test_another_name_than_ours_is_refused(client: TestClient) -> None:
    for host in ("evil.example", "evil.example:8742", "127.0.0.1.evil.example", ""):
        answer = client.get("/", headers={"host": host})
        assert answer.status_code == 403, host
        assert "pan-a1" not in answer.text


def test_a_post_or_a_socket_from_another_page_is_refused(client: TestClient) -> None:
    for origin in ("http://evil.example", "null", "http://127.0.0.1:1", None):
        headers = {} if origin is None else {"origin": origin}
        assert client.post("/", headers=headers).status_code == 403
        with pytest.raises(WebSocketDisconnect), client.websocket_connect(f"{SOCKET}/word", headers=headers):
            pass  # pragma: no cover - never opened


def test_the_socket_says_which_version_of_a_page_is_the_newest(client: TestClient) -> None:
    for address in ("/", "/fixture/pan-a1"):
        etag = client.get(address).text.partition('data-etag="')[2].partition('"')[0]
        with client.websocket_connect(f"{SOCKET}/word?of={address}", headers={"origin": BASE}) as socket:
            assert socket.receive_json()["etag"].strip('"') in etag.replace("&#34;", "")
    with client.websocket_connect(f"{SOCKET}/word?of=//evil", headers={"origin": BASE}) as socket:
        assert socket.receive_json() == {"etag": "", "live": None}


def test_hostile_names_stay_words(recorded: Recorded) -> None:
    glances = [
        tile(
            "pan-a1", unit=HOSTILE, sentence=HOSTILE * 1000, need=Severity.ACT_NOW, quiet=False, more=HOSTILE
        ),
        tile("pan-a2", word=HOSTILE, value=HOSTILE, foot=HOSTILE, quiet=False),
    ]
    page = checked(client_of(Pinned(recorded.root, glances)).get("/").text)

    assert HOSTILE in page.text
    assert sum(tag == "script" for tag, _ in page.tags) == 1


def test_the_order_is_by_place_and_worst_first_when_asked(recorded: Recorded) -> None:
    glances = [
        tile("pan-a1"),
        tile("pan-a2", need=Severity.TODAY, quiet=False),
        tile("pan-a3", need=Severity.ACT_NOW, quiet=False),
        tile("pan-a4", silent=True, quiet=False, turning=False),
    ]
    client = client_of(Pinned(recorded.root, glances), recording=True)

    def order(address: str) -> list[str]:
        tags = checked(client.get(address).text).tags
        ids = [str(each["id"]) for tag, each in tags if tag == "a" and "id" in each]
        return [each.removeprefix("tile-") for each in ids]

    assert order("/") == ["pan-a1", "pan-a2", "pan-a3", "pan-a4"]
    assert order("/?order=worst") == ["pan-a3", "pan-a2", "pan-a4", "pan-a1"]
    assert "Two of four fixtures need a person; one is silent." in checked(client.get("/").text).text


def test_a_wall_of_500_is_small(recorded: Recorded) -> None:
    glances = [tile(f"pan-{place}") for place in range(500)]
    content = client_of(Pinned(recorded.root, glances)).get("/").content

    assert b'class="tiles dense"' in content
    assert len(gzip.compress(content)) < 200_000


def test_an_empty_root_says_so(tmp_path: Path) -> None:
    page = checked(client_of(Nights(tmp_path)).get("/").text)

    assert "No fixture has recorded anything here yet." in page.text
    assert client_of(Nights(tmp_path / "gone")).get("/").status_code == 404


def test_the_report_comes_as_a_file_that_may_do_nothing(client: TestClient) -> None:
    run = client.get("/api/v1/fixtures/pan-a1").json()["run"]
    answer = client.get(f"/fixture/pan-a1/{run}/report")

    assert answer.headers["content-disposition"].startswith('attachment; filename="report-Q-0117-')
    assert answer.headers["content-security-policy"].startswith("sandbox;")
    assert "Morning report" in answer.text


def test_our_own_files_are_small_and_know_no_other_address() -> None:
    script = own_file("fresh.js")

    assert len(script) < 12_000
    assert b"//cdn" not in script
    assert b"eval(" not in script
    assert b"innerHTML" not in script
    assert b"@import" not in own_file("page.css")
