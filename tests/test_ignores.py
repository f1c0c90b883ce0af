"""Every comment that silences a tool names the rule and says why."""

import io
import re
import tokenize
from collections.abc import Iterator

from tests.test_tidy import MODULES, name_of

IGNORE = re.compile(r"#\s*(?:noqa(?::\s*[A-Z]+\d+(?:,\s*[A-Z]+\d+)*)?|type:\s*ignore(?:\[[\w\-, ]+\])?)")
WORD = re.compile(r"[a-z]{2,}")


def ignores_without_reason(text: str) -> Iterator[str]:
    """Comments that silence a tool and do not say which rule, or why."""
    if not IGNORE.search(text):  # taking a text apart costs more than looking through it
        return
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type != tokenize.COMMENT or not IGNORE.search(token.string):
            continue
        bare = any(found.endswith(("noqa", "ignore")) for found in IGNORE.findall(token.string))
        if bare or not WORD.search(IGNORE.sub("", token.string)):
            yield f"line {token.start[0]}: {token.string}"


def test_every_ignore_gives_its_rule_and_its_reason() -> None:
    texts = {name_of(path): path.read_text(encoding="utf-8") for path in MODULES}
    without = [f"{name}: {found}" for name, text in texts.items() for found in ignores_without_reason(text)]

    assert not without, "\n".join(without)


def test_an_ignore_without_rule_or_reason_is_found() -> None:
    good = "a = 1  # no" + "qa: E501 - a table\n"
    bad = ["b = 2  # no" + "qa\n", "c = 3  # type: ig" + "nore[misc]\n"]

    assert list(ignores_without_reason(good)) == []
    assert [len(list(ignores_without_reason(good + text))) for text in bad] == [1, 1]
