"""What is imported before a bench begins: an import at first use would be made on the loop, or hold it by the interpreter's lock.

The first shunt check of a start, which asks for a quantile, kept every fixture of the daemon from its lease for 0.25 to 0.4 s.

What is imported stays, so the collector need not look at it again and again: a full round of the daemon took 59 ms, during
which nobody has a lease; without the 114,000 objects that its modules are made of it takes 0.2 ms a fixture.
"""

import gc


def import_early() -> None:
    """Import what the functions of the rooms below import when they are first called, and keep all of it out of the collector's rounds.

    Call it before anything turns.
    """
    import scipy.linalg.lapack
    import scipy.special  # noqa: F401 - for its being there

    gc.collect()
    gc.freeze()
