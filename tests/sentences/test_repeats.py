"""Many signs of one cause in one sentence: how often, from when to when."""

from nightturn.sentences.repeats import repeated

EVENING_NS = 1_795_650_067_000_000_000  # 2026-11-25T23:41:07Z
HOUR_NS = 3_600_000_000_000


def test_signs_of_one_day_name_it_once() -> None:
    said = repeated({"torque signal at the end of its range": 361}, EVENING_NS, EVENING_NS + HOUR_NS // 12)

    assert (
        said == "torque signal at the end of its range: 361 times, from 2026-11-25 23:41:07 to 23:46:07 UTC"
    )


def test_a_night_names_both_days_and_each_sign_its_own_number() -> None:
    said = repeated({"one thing": 1, "another": 2}, EVENING_NS, EVENING_NS + 4 * HOUR_NS)

    assert said == "one thing: 1 time, another: 2 times, from 2026-11-25 23:41:07 to 2026-11-26 03:41:07 UTC"
