"""What the first moves of a bring-up found, from the files of their run and what the person saw: senses, and lines of bench.toml with why."""

from enum import StrEnum

import msgspec
import numpy as np

from nightturn.estimation.first_moves import TURNED_DEG_MIN, Step, step_between, turned_deg
from nightturn.fixture.activities.first_move import MOVE_BEGAN, MOVE_DONE
from nightturn.model.quantities import fixed, interval
from nightturn.model.tiles import Float64s
from nightturn.motion.first_moves import BACK, OUT
from nightturn.report.at_rest import Proposal
from nightturn.settings.rig import FixtureSettings
from nightturn.storage.reader import Run

MOVE_S = 12.0
"""From permission to the end of a move, lease and dwell included."""
NS_PER_S = 1_000_000_000
NOT_SHOWN = (
    "not shown by a few degrees: where the index lies, the travel that the cable allows, pick-up at the pole pairs, resonance; "
    "an index needs a whole turn"
)


class Seen(StrEnum):
    """What the person at the shaft saw on the way out."""

    YES = "yes"
    NO = "no"
    UNSEEN = "unseen"


class FirstFound(msgspec.Struct, frozen=True):
    """What is known behind the first moves.

    Attributes:
        run: its id. ended: why it ended.
        out_deg, back_deg: what the angle did on each way, in the declared sense; None where the move was not begun.
        step: of torque between the two ways.
        said: what follows, sentence by sentence. clear: whether both senses are known and right.
        proposals: lines of the rig file.
    """

    run: str
    ended: str
    out_deg: float | None
    back_deg: float | None
    step: Step
    said: tuple[str, ...]
    proposals: tuple[Proposal, ...]
    clear: bool
    not_shown: str = NOT_SHOWN


def found_of(run: Run, seen: Seen, settings: FixtureSettings) -> FirstFound:
    """Read both moves of a run, the last of each name, and say what they show.

    Raises:
        StorageError: its samples cannot be read.
    """
    began = _began(run)
    read = {name: _stretch(run, began, name) for name in (OUT, BACK)}
    degrees = {name: turned_deg(way[1]) if way is not None else None for name, way in read.items()}
    out, back = read[OUT], read[BACK]
    none = Step(float("nan"), float("nan"), "it did not turn both ways")
    step = none if out is None or back is None else step_between(*out, *back)
    said, proposals, clear = judged(degrees[OUT], step, seen, settings)
    said = (*said, _index(run, settings, degrees[OUT] or 0.0))
    ended = manifest.reason if (manifest := run.manifest) is not None else "not known, its manifest is absent"
    return FirstFound(run.run, ended, degrees[OUT], degrees[BACK], step, said, proposals, clear)


def judged(
    out_deg: float | None, step: Step, seen: Seen, settings: FixtureSettings
) -> tuple[tuple[str, ...], tuple[Proposal, ...], bool]:
    """What follows from what the angle did, the step of torque and what the person saw; whether all of it is right as declared."""
    if out_deg is None or abs(out_deg) < TURNED_DEG_MIN / 2:
        return ("the shaft did not turn, so nothing can be said of any sense",), (), False
    if out_deg < 0:
        wrong = (
            f"encoder direction: reversed to the drive; commanded forward, the angle went {fixed(out_deg, 1, signed=True)}°",
            "no line of bench.toml changes that, because `sense` turns both: exchange one direction in the device or its wiring",
        )
        return wrong, (), False
    encoder, torque = settings.encoder, settings.transducer
    positive = torque.positive
    said, proposals = (
        [
            f"encoder direction: counts as the drive is commanded, {fixed(out_deg, 1, signed=True)}° on the way out"
        ],
        [],
    )
    if seen is Seen.NO:
        said.append(f"declared sense: reversed; the angle rose and the shaft did not turn {positive}")
        why = f"the angle rose while the shaft turned against {positive!r}"
        proposals.append(Proposal(f"[fixture.encoder] of {settings.id}", f"sense = {-encoder.sense}", why))
    elif seen is Seen.YES:
        said.append(f"declared sense: right; the angle rose and the shaft turned {positive}")
    else:
        said.append(f"declared sense: not known, because nobody saw whether the shaft turned {positive}")
    known, reversed_to_angle, sentence = _torque_sense(step)
    said.append(sentence)
    if known and seen is Seen.UNSEEN and reversed_to_angle:
        said.append("which of torque and angle is reversed only eyes at the shaft can say: no line follows")
    elif known and seen is not Seen.UNSEEN:
        # with the angle turned round, what opposed it before goes along with it
        if reversed_to_angle != (seen is Seen.NO):
            why = f"{'with the sense above ' if seen is Seen.NO else ''}friction would drive the shaft and not oppose it"
            proposals.append(
                Proposal(f"[fixture.transducer] of {settings.id}", f"polarity = {-torque.polarity}", why)
            )
            said.append("torque sign: reversed")
        else:
            said.append("torque sign: right")
    clear = known and seen is Seen.YES and not proposals
    return tuple(said), tuple(proposals), clear


def _torque_sense(step: Step) -> tuple[bool, bool, str]:
    """Whether the sense of torque to angle is known, whether it is reversed, and a sentence."""
    if step.trouble:
        return False, False, f"torque sign: not known, {step.trouble}"
    half = interval(step.nm, step.half_nm, "N·m")
    if abs(step.nm) <= step.half_nm:
        return (
            False,
            False,
            f"torque sign: not known, half the step between the two ways is {half}, which may be 0",
        )
    way = "along with" if step.nm > 0 else "against"
    return (
        True,
        step.nm > 0,
        f"half the step of torque between the two ways is {half}: {way} the motion by the angle",
    )


def _began(run: Run) -> dict[str, int]:
    """When each move began last, UTC ns."""
    events = run.events()
    names = {kind: name for name, kind in MOVE_BEGAN.items()}
    rows = events[events["kind"].isin(list(names))]
    ts = rows["ts"].astype("int64").tolist()
    return {names[kind]: at for at, kind in zip(ts, rows["kind"].tolist(), strict=True)}


def _index(run: Run, settings: FixtureSettings, out_deg: float) -> str:
    """What the device's input says of an index, which a few degrees cannot show to be missing."""
    events, turned = run.events(), f"{fixed(abs(out_deg), 1)}°"
    before = events[events["kind"].isin(list(MOVE_BEGAN.values()))]["value"].tolist()
    after = events[events["kind"] == MOVE_DONE]["value"].tolist()
    if settings.encoder.reference != "index":
        return f'index: bench.toml says reference = "{settings.encoder.reference}", so none is looked for'
    if before and before[0]:
        return "index: the device has seen one since it started; whether one lies in what was turned is not known"
    if any(after):
        return f"index: seen within the {turned} turned"
    return f"index: not seen within the {turned} turned, which says nothing; a whole turn is needed"


def _stretch(run: Run, began: dict[str, int], name: str) -> tuple[Float64s, Float64s] | None:
    """Torque and angle of a move; None where it was not begun."""
    if name not in began:
        return None
    start = began[name]
    stop = min([start + round(MOVE_S * NS_PER_S), *(at for at in began.values() if at > start)])
    frame = run.samples(start, stop, ["torque_nm", "angle_rad"])
    return frame["torque_nm"].to_numpy(np.float64), frame["angle_rad"].to_numpy(np.float64)
