"""The numeric fingerprint: what can make the last digits of a figure differ from machine to machine."""

from functools import lru_cache
from typing import Any

import numpy as np


@lru_cache(maxsize=1)
def fingerprint() -> str:
    """NumPy and SciPy version, BLAS and the CPU features in use, as one line."""
    import scipy

    config: Any = np.show_config(mode="dicts")
    blas = config.get("Build Dependencies", {}).get("blas", {})
    simd = config.get("SIMD Extensions", {})
    used = [*simd.get("baseline", []), *simd.get("found", [])]
    return (
        f"numpy {np.__version__}; scipy {scipy.__version__}; "
        f"blas {blas.get('name', 'unknown')} {blas.get('version', '')}; cpu {' '.join(used)}"
    )
