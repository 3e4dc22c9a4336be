"""Keeps the log of the parts that a verb uses off the terminal: what matters the verb says itself, in sentences."""

from __future__ import annotations


def set_up_quiet_logs(verbose: bool = False) -> None:
    """Send the log to standard error when `verbose`, else nowhere but what is critical."""
    import structlog

    from lineset.station.logs import set_up_logs

    if verbose:
        set_up_logs(verbose=True)
        return
    import logging
    import sys

    structlog.configure(
        wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
