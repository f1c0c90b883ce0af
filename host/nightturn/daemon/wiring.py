"""What a rig file declares as not wired, repeated at every start of the daemon."""

import structlog

from nightturn.motion.interlocks import unwired
from nightturn.settings.rig import Rig

log: structlog.stdlib.BoundLogger = structlog.get_logger()


def say_unwired(rig: Rig) -> None:
    """One warning for each fixture without guard, stop chain or warning lamp."""
    for settings in rig.fixture:
        missing = unwired(settings)
        if missing:
            log.warning("not_wired", fixture=settings.id, why=missing)
