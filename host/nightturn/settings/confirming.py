"""How many finished cycles confirm that a figure is beyond its protective limit: `3/5` is three of the newest five."""

import re

CYCLES_MAX = 20
CONFIRM = re.compile(r"([1-9][0-9]?)/([1-9][0-9]?)")
ALLOWED = f'"3/5" for three of the newest five, up to {CYCLES_MAX} cycles, or no such key'


def confirming(text: str) -> tuple[int, int] | None:
    """How many of how many cycles; None where the text says no such thing. Without a text one cycle is enough."""
    if not text:
        return 1, 1
    found = CONFIRM.fullmatch(text)
    if found is None:
        return None
    wanted, of = int(found[1]), int(found[2])
    return (wanted, of) if wanted <= of <= CYCLES_MAX else None
