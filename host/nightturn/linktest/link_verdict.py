"""The verdict of a link test: one word for machines and one plain sentence for people."""

from typing import NamedTuple

from nightturn.linktest.core import LinkTest
from nightturn.model.quantities import fixed
from nightturn.sentences.lost import lost_text

GOOD, REPAIRED, FAILED, INTERRUPTED = "good", "repaired", "failed", "interrupted"


class Damage(NamedTuple):
    """Frames that were harmed on the line and recognised: at this end, and at the device's."""

    here: int
    there: int


def verdict_on(test: LinkTest, damage: Damage) -> tuple[str, str]:
    """Word and sentence; whatever was found speaks against the link, damage that was repaired does not."""
    pattern = test.pattern
    if test.findings.all() or pattern.missing or not (pattern.samples or test.stopped):
        return FAILED, f"FAILED: {'; '.join(_against(test))}"
    whole = f"all {pattern.samples} samples arrived and no bit was wrong"
    if test.stopped:
        so_far = f"until then {whole}" if pattern.samples else "no sample had arrived yet"
        return INTERRUPTED, f"INTERRUPTED after {fixed(test.stream_ns / 1e9, 1)} s: {so_far}"
    if not any(damage) and not pattern.repaired:
        return GOOD, f"GOOD: {whole}"
    harmed = (
        [f"{_many(damage.here, 'frame was', 'frames were')} damaged on the way here"] if damage.here else []
    )
    if damage.there:
        harmed.append(
            f"{_many(damage.there, 'frame or byte was', 'frames or bytes were')} damaged on the way to the device"
        )
    if pattern.repaired:
        harmed.append(f"{_many(pattern.repaired, 'block', 'blocks')} had to be sent again (RESEND)")
    return REPAIRED, f"GOOD AFTER REPAIR: {whole}, but the line is not clean: {', '.join(harmed)}"


def _against(test: LinkTest) -> list[str]:
    """What speaks against the link, the heaviest first."""
    pattern = test.pattern
    said = []
    if pattern.wrong_bits:
        bits = _many(pattern.wrong_bits, "bit was", "bits were")
        said.append(f"{bits} wrong in {_many(pattern.wrong_samples, 'sample', 'samples')}")
    for cause, count in sorted(pattern.missing.items()):
        said.append(f"{_many(count, 'sample was', 'samples were')} lost {lost_text(cause)}")
    if not pattern.samples:
        said.append("no sample arrived")
    said += [finding.detail for finding in test.findings.all() if finding.kind != "wrong_bits"]
    return said


def _many(count: int, one: str, more: str) -> str:
    return f"{count} {one if count == 1 else more}"
