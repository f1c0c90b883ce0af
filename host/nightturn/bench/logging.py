"""How the daemon logs: lines for people on a terminal, JSON elsewhere; UTC; to stderr, or for machines to stdout."""

import logging
import sys

import structlog


def set_up_logging(*, errors_only: bool = False, as_json: bool = False) -> None:
    """Configure structlog once, at the start of a command; with `as_json` one JSON object a line on stdout."""
    terminal = sys.stderr.isatty() and not as_json
    renderer = structlog.dev.ConsoleRenderer() if terminal else structlog.processors.JSONRenderer()
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR if errors_only else logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(sys.stdout if as_json else sys.stderr),
        cache_logger_on_first_use=True,
    )
