"""What is imported before a bench begins: an import at first use would be made on the loop, or hold it by the interpreter's lock.

The first shunt check of a start, which asks for a quantile, kept every fixture of the daemon from its lease for 0.25 to 0.4 s.
"""


def import_early() -> None:
    """Import what the functions of the rooms below import when they are first called; call it before anything turns."""
    import scipy.linalg.lapack
    import scipy.special  # noqa: F401 - for its being there
