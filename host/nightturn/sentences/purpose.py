"""For what a verdict may be used, in words: every place that says a verdict says this beside it."""

from nightturn.model.nights import NightVerdict
from nightturn.model.purposes import ENGINEERING, RELEASE

NOT_KEPT = "recorded by a version that kept no purpose"


def purpose_word(verdict: NightVerdict) -> str:
    """`release` or `engineering`."""
    return verdict.purpose or ENGINEERING


def purpose_reasons(verdict: NightVerdict) -> tuple[str, ...]:
    """Why it is engineering; nothing for a release."""
    return verdict.engineering_because if verdict.purpose else (NOT_KEPT,)


def purpose_text(verdict: NightVerdict) -> str:
    """`release`, or `engineering: calibration TR-204/1 expired on 2027-01-12; …`."""
    word = purpose_word(verdict)
    return word if word == RELEASE else f"{word}: {'; '.join(purpose_reasons(verdict))}"


def run_purpose(verdict: NightVerdict | None) -> str:
    """The same of a run that may have no verdict yet."""
    return f"{ENGINEERING}: it has no verdict" if verdict is None else purpose_text(verdict)


def purpose_sentence(verdict: NightVerdict) -> str:
    """Behind a first sentence: `For release.`, or `Engineering only.`; the reasons stand where there is room for them."""
    return "For release." if purpose_word(verdict) == RELEASE else "Engineering only."
