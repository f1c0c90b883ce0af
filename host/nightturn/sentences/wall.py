"""What stands above a wall of fixtures: how many need a person, and how many are silent."""

from collections.abc import Sequence

WORDS = (
    *(
        "none",
        "one",
        "two",
        "three",
        "four",
        "five",
        "six",
        "seven",
        "eight",
        "nine",
        "ten",
        "eleven",
        "twelve",
    ),
)


def counted(count: int) -> str:
    """`three`, and from thirteen on `13`."""
    return WORDS[count] if count < len(WORDS) else str(count)


def wall_sentence(fixtures: int, need: int, silent: int, *, turning: int) -> str:
    """How many need a person: `Three of 12 fixtures need a person; one is silent.`.

    Args:
        fixtures: on the wall.
        need: of them ask for a person today or now.
        silent: of them have given no word for too long, so that nothing is known of now.
        turning: of them turn and pass so far.
    """
    if not fixtures:
        return "No fixture has recorded anything here yet."
    quiet = _quiet(fixtures, turning) if not need else _needing(fixtures, need)
    if not silent:
        return f"{quiet}."
    both = "is" if silent == 1 else "are"
    return f"{quiet}; {counted(silent)} {both} silent."


def _needing(fixtures: int, need: int) -> str:
    if fixtures == 1:
        return "The fixture needs a person"
    verb = "needs" if need == 1 else "need"
    return f"{counted(need).capitalize()} of {counted(fixtures)} fixtures {verb} a person"


def _quiet(fixtures: int, turning: int) -> str:
    if turning == fixtures:
        return (
            "The fixture turns smoothly"
            if fixtures == 1
            else f"All {counted(fixtures)} fixtures turn smoothly"
        )
    return (
        "The fixture needs nobody"
        if fixtures == 1
        else f"None of {counted(fixtures)} fixtures needs a person"
    )


def silent_sentence(last_word: str, was: Sequence[str]) -> str:
    """`No word from it since 28 Nov 01:56 +00:00. It was turning, cycle 80; what is drawn is from then and older.`.

    Args:
        last_word: when it was heard last, in words; empty where that is not known.
        was: what it did then, in words; empty where that is not known.
    """
    since = f"since {last_word}" if last_word else "and it is not known since when"
    did = f"It was {', '.join(was)}; what" if was else "What"
    return f"No word from it {since}. {did} is drawn is from then and older."
