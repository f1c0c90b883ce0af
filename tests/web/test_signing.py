"""Signing in on the page, and what a person may then have done: acknowledge, pause, stop, each under a name, nothing more."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.websockets import WebSocketDisconnect
from tests.web.conftest import BASE, NOW_NS, SOCKET, TestClient
from tests.web.markup import checked

from nightturn.web import passwords
from nightturn.web.acting import AUDIT, Outcome, Wish
from nightturn.web.app import Facts, application
from nightturn.web.nights import Nights
from nightturn.web.people import People, Role
from nightturn.web.signing import Door

PASSWORD = "quite long enough"
NOW_S = NOW_NS / 1e9


class Daemon:
    """Keeps what it is asked for."""

    def __init__(self) -> None:
        self.wishes: list[Wish] = []

    def __call__(self, wish: Wish) -> Outcome:
        self.wishes.append(wish)
        return Outcome(ok=True, said=f"{wish.fixture}: done by {wish.operator}")

    @property
    def asked(self) -> list[Wish]:
        return [each for each in self.wishes if each.command != AUDIT]

    @property
    def audited(self) -> list[str]:
        return [each.alarm for each in self.wishes if each.command == AUDIT]


@pytest.fixture(autouse=True)
def cheap(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A hash that takes no quarter of a second; that the real one is used is another test's."""
    from argon2 import PasswordHasher

    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(passwords, "_hasher", lambda: hasher)
    passwords._of_nobody.cache_clear()
    yield
    passwords._of_nobody.cache_clear()


@pytest.fixture
def people(tmp_path: Path) -> People:
    return People(tmp_path)


def browser(nights: Nights, people: People, daemon: Daemon | None, *, closed: bool = False) -> TestClient:
    door = Door(people, closed=closed, act=daemon, utc_ns=lambda: NOW_NS, monotonic=lambda: 0.0)
    facts = Facts("nights", lambda: True, lambda: NOW_NS)
    app = application(nights, facts, ("127.0.0.1",), door)
    return TestClient(app, base_url=BASE, headers={"origin": BASE}, follow_redirects=False)


def signed_in(client: TestClient, people: People, name: str, role: Role) -> None:
    code = people.add(name, role, NOW_S)
    answer = client.post("/sign-in", data={"name": name, "word": code, "fresh": PASSWORD})
    assert answer.status_code == 303


def test_an_operator_acknowledges_pauses_and_stops_by_name_and_nothing_more(
    nights: Nights, people: People
) -> None:
    daemon = Daemon()
    client = browser(nights, people, daemon)
    signed_in(client, people, "R. Vale", Role.OPERATOR)

    page = checked(client.get("/fixture/pan-a1").text)
    assert "Stop pan-a1: its run ends" in page.text
    assert "Who lets a shaft turn stands at the rig." in page.text
    for command in ("acknowledge", "pause", "stop"):
        form = {"command": command, "fixture": "pan-a1", "alarm": "guard", "reason": "tea"}
        answer = client.post("/act", data=form)
        assert "done by R. Vale" in checked(answer.text).text
    for command in ("go", "mount", "unmount", "audit", "set_aside", "status", ""):
        assert client.post("/act", data={"command": command, "fixture": "pan-a1"}).status_code == 400

    assert [(each.command, each.operator, each.reason) for each in daemon.asked] == [
        (command, "R. Vale", "from the page; tea") for command in ("acknowledge", "pause", "stop")
    ]
    assert daemon.audited == ["signed_in"]


def test_a_viewer_and_a_stranger_may_do_nothing(nights: Nights, people: People) -> None:
    daemon = Daemon()
    client = browser(nights, people, daemon)
    assert client.post("/act", data={"command": "stop", "fixture": "pan-a1"}).status_code == 403
    assert "Sign in" in checked(client.get("/fixture/pan-a1").text).text

    signed_in(client, people, "Eve", Role.VIEWER)
    assert client.post("/act", data={"command": "stop", "fixture": "pan-a1"}).status_code == 403
    text = client.get("/fixture/pan-a1").text
    assert "<button" not in text
    assert "Eve may look." in checked(text).text
    assert daemon.asked == []


def test_a_post_of_another_page_does_nothing_even_with_the_cookie(nights: Nights, people: People) -> None:
    daemon = Daemon()
    client = browser(nights, people, daemon)
    signed_in(client, people, "R. Vale", Role.OPERATOR)

    for origin in ("http://evil.example", "null", "http://127.0.0.1:9"):
        answer = client.post(
            "/act", data={"command": "stop", "fixture": "pan-a1"}, headers={"origin": origin}
        )
        assert answer.status_code == 403
    assert daemon.asked == []


def test_a_revoked_person_is_out_at_the_next_request(nights: Nights, people: People) -> None:
    daemon = Daemon()
    client = browser(nights, people, daemon)
    signed_in(client, people, "R. Vale", Role.OPERATOR)
    people.revoke("R. Vale")

    assert client.post("/act", data={"command": "stop", "fixture": "pan-a1"}).status_code == 403
    assert daemon.asked == []


def test_the_cookie_is_the_servers_alone_and_of_this_page_alone(nights: Nights, people: People) -> None:
    client = browser(nights, people, Daemon())
    code = people.add("R. Vale", Role.OPERATOR, NOW_S)
    cookie = client.post("/sign-in", data={"name": "R. Vale", "word": code, "fresh": PASSWORD}).headers[
        "set-cookie"
    ]

    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert Door(people, tls=True).cookie.startswith("__Host-")


def test_brute_force_is_slowed_and_says_nothing_of_who_exists(nights: Nights, people: People) -> None:
    client = browser(nights, people, Daemon())
    signed_in(client, people, "R. Vale", Role.OPERATOR)
    client.cookies.clear()

    answers = [
        client.post("/sign-in", data={"name": name, "word": f"guess {place}"})
        for place in range(5)
        for name in ("R. Vale", "Nobody")
    ]
    assert {each.status_code for each in answers} == {403, 429}
    refused = {each.text for each in answers if each.status_code == 403}
    assert len(refused) == 1
    right = client.post("/sign-in", data={"name": "R. Vale", "word": PASSWORD})
    assert right.status_code == 429  # even the right word waits


def test_long_forms_and_odd_bytes_are_refused(nights: Nights, people: People) -> None:
    client = browser(nights, people, Daemon())

    assert client.post("/sign-in", content=b"name=" + b"a" * 1_000_000).status_code == 413
    for body in (b"\xff\xfe=1", b"&" * 3000, b"name=%00&word=%00", b"a=1&" * 900):
        assert client.post("/sign-in", content=body).status_code in {403, 429}


def test_behind_a_closed_door_nobody_sees_anything(nights: Nights, people: People) -> None:
    client = browser(nights, people, Daemon(), closed=True)

    for address in ("/", "/fixture/pan-a1", "/act", "/nothing"):
        answer = client.get(address)
        assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert client.get("/api/v1/fixtures").status_code == 401
    with (
        pytest.raises(WebSocketDisconnect),
        client.websocket_connect(f"{SOCKET}/word", headers={"origin": BASE}),
    ):
        pass  # pragma: no cover - never opened
    assert client.get("/own/page.css").status_code == 200
    signed_in(client, people, "Eve", Role.VIEWER)
    assert "pan-a1" in client.get("/").text


def test_the_real_hash_is_argon2id() -> None:
    from nightturn.web.passwords import hashed, matches

    known = hashed(PASSWORD)
    assert known.startswith("$argon2id$")
    assert matches(known, PASSWORD)
    assert not matches(known, "other")
    assert not matches("", PASSWORD)
    assert not matches("no hash", PASSWORD)


def test_an_admin_adds_and_revokes_people_on_the_page_and_nobody_else_does(
    nights: Nights, people: People
) -> None:
    daemon = Daemon()
    client = browser(nights, people, daemon)
    asked = {"command": "add", "name": "I. Moor", "role": "operator"}
    signed_in(client, people, "R. Vale", Role.OPERATOR)
    assert client.get("/people").status_code == client.post("/people", data=asked).status_code == 403
    assert [each.name for each in people.listed()] == ["R. Vale"]

    signed_in(client, people, "A. Quill", Role.ADMIN)
    assert 'href="/people"' in client.get("/fixture/pan-a1").text
    page = checked(client.post("/people", data=asked).text)
    code = page.text.split("within a day: ")[1].split()[0]
    assert people.set_up("I. Moor", code, "a hash", NOW_S)
    assert {each.name: each.role for each in people.listed()}["I. Moor"] == "operator"

    own = client.post("/people", data={"command": "revoke", "name": "A. Quill"})
    assert own.status_code == 409
    assert client.post("/people", data={**asked, "role": "owner"}).status_code == 400
    assert client.post("/people", data={**asked, "name": " "}).status_code == 400
    assert client.post("/people", data={"command": "revoke", "name": "nobody"}).status_code == 404
    assert client.post("/people", data={"command": "revoke", "name": "R. Vale"}).status_code == 200
    assert [each.name for each in people.listed()] == ["A. Quill", "I. Moor"]
    assert [each for each in daemon.audited if each.startswith("user_")] == ["user_added", "user_revoked"]
