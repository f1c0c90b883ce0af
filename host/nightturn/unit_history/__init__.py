"""The life of a unit over its runs: what moved, since when, whether it is real, why, and how long it will last."""
