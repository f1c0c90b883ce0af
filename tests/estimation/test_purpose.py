"""Release or engineering: what a card asks for, what ends meanwhile, and a temperature that has to be known and steady."""

from typing import Any

import msgspec
from tests.storage.scenario import cycle_record

from nightturn.estimation.night_verdict import Night
from nightturn.estimation.purpose import NO_CYCLE, NOT_ASKED, ONE_CYCLE, Basis
from nightturn.model.figures import CycleRecord
from nightturn.model.nights import NightVerdict
from nightturn.model.purposes import ENGINEERING, RELEASE
from nightturn.sentences.purpose import NOT_KEPT, purpose_sentence, purpose_text

ASKED = Basis(RELEASE)


def cycle(no: int, degc: float | None = 22.0, role: str = "bridge", **changes: Any) -> CycleRecord:
    temperatures = {} if degc is None else {role: degc}
    return msgspec.structs.replace(
        cycle_record(no), cycle_no=no, ts_end=no * 100, temperatures_degc=temperatures, **changes
    )


def verdict(basis: Basis, *cycles: CycleRecord) -> NightVerdict:
    night = Night()
    for each in cycles:
        night.add(msgspec.structs.replace(each, limit_words=()), [])
    return night.verdict([], len(cycles), basis)


def test_a_release_is_one_where_all_is_in_order_and_the_temperature_is_steady() -> None:
    found = verdict(ASKED, cycle(1), cycle(2, 22.9), cycle(3, 23.8))
    assert (found.purpose, found.engineering_because) == (RELEASE, ())
    assert (purpose_text(found), purpose_sentence(found)) == ("release", "For release.")


def test_what_nobody_asked_for_is_engineering_whatever_is_in_order() -> None:
    found = verdict(Basis(), cycle(1))
    assert (found.purpose, found.engineering_because) == (ENGINEERING, (NOT_ASKED,))
    assert (purpose_text(found), purpose_sentence(found)) == (
        f"engineering: {NOT_ASKED}",
        "Engineering only.",
    )


def test_every_reason_is_said() -> None:
    basis = Basis(
        RELEASE, ("variant pan15 is not approved",), ((150, "the calibration expired"), (900, "later"))
    )
    found = verdict(basis, cycle(1), cycle(2, 24.0), cycle(3, None))
    assert found.purpose == ENGINEERING
    assert found.engineering_because == (
        "variant pan15 is not approved",
        "the calibration expired",
        "of 1 of 3 cycles no temperature is known, so nothing says that it was steady",
        "the bridge temperature changed by 2 K up to cycle 2; up to 1 K a cycle is steady",
    )
    assert purpose_text(found).startswith("engineering: variant pan15 is not approved; the calibration")


def test_another_role_is_no_change_and_no_cycle_is_no_release() -> None:
    assert verdict(ASKED, cycle(1), cycle(2, 40.0, "housing"), cycle(3, 40.0, "housing")).purpose == RELEASE
    assert verdict(ASKED).engineering_because == (NO_CYCLE,)
    assert verdict(ASKED, cycle(1)).engineering_because == (ONE_CYCLE,)


def test_what_ends_is_looked_at_by_the_time_of_the_newest_cycle() -> None:
    basis = Basis(RELEASE, (), ((200, "expired"),))
    assert verdict(basis, cycle(1), cycle(2)).purpose == RELEASE
    assert verdict(basis, cycle(1), cycle(3)).engineering_because == ("expired",)


def test_a_verdict_from_before_there_were_purposes_is_engineering() -> None:
    assert purpose_text(NightVerdict("accept", ())) == f"engineering: {NOT_KEPT}"


def test_what_keeps_a_night_from_being_a_release_is_said_in_these_words() -> None:
    assert NOT_ASKED == "nobody asked for a release (`nightturn mount --purpose release`)"
    assert verdict(ASKED).engineering_because == ("no cycle is finished yet",)
    assert verdict(ASKED, cycle(1)).engineering_because == (
        "it is of one cycle, so nothing says that the temperature was steady",
    )
