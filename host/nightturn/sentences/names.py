"""Names that people gave, put into a sentence so that the sentence keeps its order whatever their writing runs like."""

import unicodedata

TO_THE_LEFT = frozenset({"R", "AL", "AN"})
STEERING = frozenset({"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"})
"""Signs that are not seen and turn the order of what follows them (Unicode Standard Annex 9, 3.2)."""
FIRST_STRONG, END = "\u2068", "\u2069"


def isolated(name: str) -> str:
    """A name as it is; one that runs to the left between the signs that set it apart, without any that would turn what stands behind it."""
    kinds = {unicodedata.bidirectional(sign) for sign in name}
    if not kinds & (TO_THE_LEFT | STEERING):
        return name
    seen = "".join(sign for sign in name if unicodedata.bidirectional(sign) not in STEERING)
    return f"{FIRST_STRONG}{seen}{END}"
