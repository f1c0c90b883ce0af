"""The list of every sentence of the product is as the source, and the collector finds what people can read."""

import re

from tests.collect_words import LIST, collected, texts_of

NOT_PLAIN = re.compile(
    r"\b(told|tells|mend(s|ed)?|stands|anew|taken off|called off|arm(ed|ing)|seen to|device event \d)\b"
)

SOURCE = '''
"""A docstring of a module."""

QUERY = "select nothing from anything"

def run(name, count):
    """What a command does,
    in two lines."""
    raise ValueError(f"{name} is not usable: give {count if count > 1 else 'only one'} of them " "and no more")

PAIRS = [("gaps", "in a row"), ("", "alone")]
WORD = "single"
'''


def test_the_list_of_words_is_that_of_the_source() -> None:
    """After a change of texts: python tests/collect_words.py --update, then read what came."""
    assert LIST.read_text(encoding="utf-8") == collected()


def test_no_text_uses_a_word_that_is_not_plain() -> None:
    lines = [line for line in LIST.read_text(encoding="utf-8").splitlines() if line.startswith("- ")]
    own = [re.sub(r"\{.*?\}", "{}", line) for line in lines]

    assert [line for line in own if NOT_PLAIN.search(line)] == []


def test_messages_are_collected_with_what_is_filled_in_and_nothing_else() -> None:
    assert texts_of("host/nightturn/storage/example.py", SOURCE) == [
        "in a row",
        "only one",
        "{name} is not usable: give {count if count > 1 else 'only one'} of them and no more",
    ]


def test_of_a_command_its_help_and_the_names_of_its_table_are_collected_too() -> None:
    found = texts_of("host/nightturn/cli/example.py", SOURCE)

    assert "What a command does, in two lines." in found
    assert "gaps" in found
    assert "single" not in found
