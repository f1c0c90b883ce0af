"""For what the numbers of a run may be used: to release a unit, or for engineering only."""

from typing import Literal

Purpose = Literal["release", "engineering"]
RELEASE: Purpose = "release"
ENGINEERING: Purpose = "engineering"
