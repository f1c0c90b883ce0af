"""What must be the same however samples were cut into tiles."""

from collections.abc import Sequence

from nightturn.model.figures import CycleRecord, Figure

Comparable = tuple[int, int, str, int, int, int, str, tuple[Figure, ...], dict[str, float]]


def sums_and_figures(cycles: Sequence[CycleRecord]) -> list[Comparable]:
    """Identity, place, digest of the sums, figures and temperatures of each cycle."""
    return [
        (
            cycle.epoch,
            cycle.cycle_no,
            cycle.status,
            cycle.direction,
            cycle.index_first,
            cycle.index_last,
            cycle.sums_sha256,
            cycle.figures,
            cycle.temperatures_degc,
        )
        for cycle in cycles
    ]
