from nightturn.errors import NightturnError as NightturnError
from nightturn.replay.smoothness import smoothness as smoothness
from nightturn.report.notebook import Run as Run
from nightturn.report.notebook import open_run as open_run
from nightturn.storage.runs import list_runs as list_runs
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
