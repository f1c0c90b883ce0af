from nightturn.errors import NightturnError as NightturnError
from nightturn.replay.smoothness import smoothness as smoothness
from nightturn.storage.reader import Run as Run
from nightturn.storage.runs import list_runs as list_runs
from nightturn.storage.runs import open_run as open_run
from nightturn.storage.unit_runs import cycles_of_unit as cycles_of_unit
from nightturn.unit_history.frame import history as history

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

__version__: str
