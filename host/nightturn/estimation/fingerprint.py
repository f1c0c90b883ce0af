"""The numeric fingerprint: what can make the last digits of a figure differ from machine to machine.

It is a line of parts with `; ` between them. The first word of a part says what it is about. The BLAS is named as it
runs, not as it was built: OpenBLAS picks its kernel by the CPU when it is loaded, and NumPy and SciPy each bring one.
"""

import platform
from collections.abc import Iterator
from contextlib import contextmanager
from functools import lru_cache
from typing import Any

import numpy as np
from threadpoolctl import ThreadpoolController

BLAS_THREADS = 1
"""Threads of the BLAS while a cycle is finished: how many take part decides in which order it adds."""


@lru_cache(maxsize=1)
def fingerprint() -> str:
    """NumPy and SciPy, the BLAS, kernel and threads of each, CPU features in use and C library, as one line."""
    import scipy

    with one_blas_thread():
        blas = _blas()
    simd: Any = np.show_config(mode="dicts").get("SIMD Extensions", {})
    libc = " ".join(platform.libc_ver()).strip() or platform.system()
    return "; ".join(
        (
            f"numpy {np.__version__}",
            f"scipy {scipy.__version__}",
            *blas,
            " ".join(("cpu", platform.machine(), *simd.get("baseline", []), *simd.get("found", []))),
            f"libm {libc}",
        )
    )


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Every BLAS of this process works with one thread inside; some 20 µs.

    The number is the whole process's. The `nightturn` program starts with one anyway; a script that finishes cycles in
    several threads of its own should do so too (`OPENBLAS_NUM_THREADS=1`).
    """
    with _libraries().limit(limits=BLAS_THREADS, user_api="blas"):
        yield


def fingerprint_change(was: str, now: str) -> str:
    """What differs between two fingerprints, part by part, such as `numpy-blas SkylakeX -> Haswell`; empty if nothing."""
    old, new = _parts(was), _parts(now)
    changes = []
    for name in dict.fromkeys((*old, *new)):
        before, after = old.get(name, []), new.get(name, [])
        gone = " ".join(word for word in before if word not in after)
        come = " ".join(word for word in after if word not in before)
        if gone or come:
            changes.append(f"{name} {gone or '(none)'} -> {come or '(none)'}")
    return ", ".join(changes)


def _parts(line: str) -> dict[str, list[str]]:
    words = [part.split() for part in line.split("; ")]
    return {first: rest for first, *rest in filter(None, words)}


@lru_cache(maxsize=1)
def _libraries() -> ThreadpoolController:
    """The BLAS libraries of NumPy and SciPy; both must be loaded before anybody can see them."""
    import scipy.linalg  # noqa: F401 - it loads SciPy's own

    return ThreadpoolController()


def _blas() -> list[str]:
    """A part for each BLAS that is loaded; where none can be seen, what NumPy was built with."""
    parts = sorted(
        f"{_owner(found['filepath'])}blas {found['internal_api']} {found['version'] or 'unknown'} "
        f"{found.get('architecture') or 'unknown'} threads={found['num_threads']}"
        for found in _libraries().info()
        if found["user_api"] == "blas"
    )
    if parts:
        return parts
    built: Any = np.show_config(mode="dicts").get("Build Dependencies", {}).get("blas", {})
    return [f"blas {built.get('name', 'unknown')} {built.get('version', '')}".strip()]


def _owner(path: str) -> str:
    """Whose library it is, by the folder that wheels keep it in; empty for one of the system."""
    return next((f"{name}-" for name in ("numpy", "scipy") if f"{name}.libs" in path), "")
