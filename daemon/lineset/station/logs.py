"""The station's log: structured, on standard error, for people or as JSON lines."""

from __future__ import annotations

import logging
import sys

import structlog
import structlog.tracebacks


def set_up_logs(*, as_json: bool = False, verbose: bool = False) -> None:
    """Send structured logs to standard error; from info on, or from debug on when `verbose`."""
    renderer = (
        structlog.processors.JSONRenderer()
        if as_json
        else structlog.dev.ConsoleRenderer(
            # drawing a decorated traceback takes the loop a tenth of a second, which instruments would feel
            colors=sys.stderr.isatty(),
            pad_event_to=0,
            exception_formatter=structlog.dev.plain_traceback,
        )
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            # without local variables: a password may be among them
            structlog.processors.ExceptionRenderer(structlog.tracebacks.ExceptionDictTransformer(show_locals=False))
            if as_json
            else structlog.processors.StackInfoRenderer(),
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.DEBUG if verbose else logging.INFO),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )
