"""nightturn: overnight smoothness qualification of direct-drive rotary actuators.

The names below are loaded when first used, so that `import nightturn` costs nothing.
"""

from importlib import import_module

from nightturn.version import VERSION as __version__  # noqa: N811 - the name that Python asks for

__all__ = [
    "NightturnError",
    "Run",
    "__version__",
    "cycles_of_unit",
    "history",
    "list_runs",
    "open_run",
    "smoothness",
]

_HOME = {
    "NightturnError": "nightturn.errors",
    "Run": "nightturn.report.notebook",
    "cycles_of_unit": "nightturn.storage.unit_runs",
    "history": "nightturn.unit_history.frame",
    "list_runs": "nightturn.storage.runs",
    "open_run": "nightturn.report.notebook",
    "smoothness": "nightturn.replay.smoothness",
}


def __getattr__(name: str) -> object:
    if name not in _HOME:
        raise AttributeError(f"module 'nightturn' has no attribute {name!r}")
    found = getattr(import_module(_HOME[name]), name)
    globals()[name] = found
    return found
