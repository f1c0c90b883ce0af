"""What a station keeps between its steps that is not the core's."""

from collections import deque
from dataclasses import dataclass, field

from nightturn.model.records import Emit, Record
from nightturn.model.rows import ChunkPlan

KEPT_MAX = 100


@dataclass(slots=True)
class Shell:
    """What the station keeps between steps that is not the core's."""

    facts: deque[Record] = field(default_factory=deque)
    kept: deque[Record] = field(default_factory=lambda: deque(maxlen=KEPT_MAX))
    stamps: list[Record] = field(default_factory=list)
    rows: list[Emit] = field(default_factory=list)
    stepping: bool = False
    cut_wanted: bool = False
    closing: bool = False
    letting_go: bool = False
    segment_first: int = 0
    unrotated: ChunkPlan | None = None
    deaf_batches: int = 0  # since the tape last took records
    frame_s: float = 0.0  # when a frame was last written
    silence_told: bool = False
    motion: str = ""  # as the manifest was told last
