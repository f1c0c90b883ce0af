"""Who may sign in: hashes only, codes once and for a day, sessions that end when a person is revoked; and how often somebody may try."""

import sqlite3
import stat
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightturn.errors import ConfigError, StorageError
from nightturn.web.people import CODE_S, FILE, IDLE_S, People, Person, Role
from nightturn.web.tries import FREE, WAIT_S_MAX, Tries

NOW_S = 1_795_900_000.0


def test_a_code_sets_a_password_once_and_for_a_day(tmp_path: Path) -> None:
    people = People(tmp_path)
    code = people.add("R. Vale", Role.OPERATOR, NOW_S)

    assert people.hash_of("R. Vale") == ""
    assert not people.set_up("R. Vale", "0000-0000-0000-0000-0000", "h", NOW_S)
    assert not people.set_up("M. Thorn", code, "h", NOW_S)
    assert not people.set_up("R. Vale", code, "h", NOW_S + CODE_S)
    assert people.set_up("R. Vale", code, "h", NOW_S + CODE_S - 1)
    assert people.hash_of("R. Vale") == "h"
    assert not people.set_up("R. Vale", code, "other", NOW_S + 1)
    assert not people.set_up("R. Vale", "", "other", NOW_S + 1)


def test_a_session_ends_when_idle_when_signed_out_and_when_the_person_is_revoked_or_added_anew(
    tmp_path: Path,
) -> None:
    people = People(tmp_path)
    people.add("R. Vale", Role.OPERATOR, NOW_S)
    vale = Person("R. Vale", Role.OPERATOR)

    first, second = people.begin("R. Vale", NOW_S), people.begin("R. Vale", NOW_S)
    assert people.person(first, NOW_S + IDLE_S - 1) == vale
    assert people.person(second, NOW_S + IDLE_S) is None
    assert people.person(first, NOW_S + IDLE_S + 1) == vale  # it was used meanwhile
    people.end(first)
    assert people.person(first, NOW_S) is None

    third = people.begin("R. Vale", NOW_S)
    people.add("R. Vale", Role.VIEWER, NOW_S)
    assert people.person(third, NOW_S) is None
    fourth = people.begin("R. Vale", NOW_S)
    assert people.revoke("R. Vale")
    assert people.person(fourth, NOW_S) is None
    assert not people.revoke("R. Vale")


def test_the_file_holds_no_code_and_no_session_and_is_its_owners_alone(tmp_path: Path) -> None:
    people = People(tmp_path)
    code = people.add("R. Vale", Role.OPERATOR, NOW_S)
    token = people.begin("R. Vale", NOW_S)

    content = (tmp_path / FILE).read_bytes()
    assert code.encode() not in content
    assert token.encode() not in content
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o600


def test_a_root_without_the_file_has_nobody_and_none_is_made_by_asking(tmp_path: Path) -> None:
    people = People(tmp_path)

    assert people.listed() == []
    assert people.person("anything", NOW_S) is None
    assert people.hash_of("R. Vale") == ""
    assert not (tmp_path / FILE).exists()


@pytest.mark.parametrize("name", ["", " ", "a\nb", " R. Vale", "x" * 81, "\x00"])
def test_a_name_that_cannot_be_recorded_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(ConfigError, match="cannot be used"):
        People(tmp_path).add(name, Role.VIEWER, NOW_S)


def test_names_are_words_to_the_file(tmp_path: Path) -> None:
    people = People(tmp_path)
    hostile = "'; drop table people; --"
    people.add(hostile, Role.VIEWER, NOW_S)

    assert [each.name for each in people.listed()] == [hostile]
    assert people.revoke(hostile)


def test_a_file_that_is_no_database_is_an_error_of_ours(tmp_path: Path) -> None:
    (tmp_path / FILE).parent.mkdir()
    (tmp_path / FILE).write_bytes(b"not a database at all, but long enough to be looked at" * 20)

    with pytest.raises(StorageError, match=r"people\.sqlite"):
        People(tmp_path).listed()
    assert sqlite3.sqlite_version


def test_after_the_free_tries_each_one_waits_twice_as_long() -> None:
    tries, now_s, waits = Tries(), 0.0, []
    for _ in range(FREE + 12):
        wait_s = tries.wait_s(("name x", "from y"), now_s)
        waits.append(wait_s)
        now_s += wait_s
        tries.failed(("name x", "from y"), now_s)

    assert waits[: FREE + 1] == [0.0] * FREE + [2.0]
    assert waits[FREE + 1] == 4.0
    assert max(waits) == WAIT_S_MAX
    assert tries.wait_s(("name other", "from y"), now_s) > 0  # the same place under another name
    assert tries.wait_s(("name other", "from elsewhere"), now_s) == 0
    tries.succeeded(("name x", "from y"))
    assert tries.wait_s(("name x", "from y"), now_s) == 0


@given(st.lists(st.text(max_size=5), max_size=50))
def test_nobody_waits_longer_than_the_bound(names: list[str]) -> None:
    tries = Tries()
    for place, name in enumerate(names):
        tries.failed((name,), float(place))

    assert all(0 <= tries.wait_s((name,), float(len(names))) <= WAIT_S_MAX for name in names)
