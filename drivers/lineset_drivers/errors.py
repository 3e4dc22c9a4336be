"""Typed errors of the drivers. Every message says what happened, where, and what to do about it.

Two families are kept apart because a technician acts differently on them: our own set-up is wrong
(`ProfileError`, `LinkError`), or the instrument answered nonsense or nothing (`InstrumentError`).
"""

from __future__ import annotations

from pathlib import Path


class DriverError(Exception):
    """Base of all errors raised by the drivers."""


class UnitError(DriverError, ValueError):
    """A unit that is unknown, or that does not belong to the quantity."""


class ValueTextError(DriverError, ValueError):
    """A typed value such as "118 psig" that cannot be read."""


class ProfileError(DriverError):
    """A profile that cannot be used; names file, key, line and remedy."""

    def __init__(self, problem: str, *, remedy: str, file: str | Path = "", key: str = "", line: int = 0) -> None:
        self.problem, self.remedy, self.file, self.key, self.line = problem, remedy, str(file), key, line
        place = self.file or "profile"
        if line:
            place += f", line {line}"
        if key:
            place += f", key {key!r}"
        super().__init__(f"{place}: {problem}. {remedy}")


class LinkError(DriverError):
    """A port, socket or radio that cannot be opened, or that broke. `reason` is a sentence for the technician."""

    def __init__(self, where: str, problem: str, *, remedy: str, permanent: bool = False) -> None:
        self.where, self.problem, self.remedy, self.permanent = where, problem, remedy, permanent
        super().__init__(f"{where}: {problem}. {remedy}")


class LinkClosed(LinkError):
    """The link was open and ended: unplugged, closed by the peer, out of range."""


class InstrumentError(DriverError):
    """The instrument answered wrongly or not at all."""

    def __init__(self, where: str, problem: str, *, remedy: str = "") -> None:
        self.where, self.problem, self.remedy = where, problem, remedy
        super().__init__(f"{where}: {problem}" + (f". {remedy}" if remedy else ""))


class Silence(InstrumentError):
    """No byte came before the time-out."""


class Damaged(InstrumentError):
    """Bytes came, but a checksum, CRC or integrity code does not match."""


class Short(InstrumentError):
    """A well-formed answer that carries less than was asked for."""


class Foreign(InstrumentError):
    """A well-formed answer to another question, or from another unit."""


class Refused(InstrumentError):
    """The instrument answered that it will not (a Modbus exception code, an SCPI error)."""

    def __init__(self, where: str, problem: str, *, code: int = 0, remedy: str = "") -> None:
        self.code = code
        super().__init__(where, problem, remedy=remedy)


class Garbled(InstrumentError):
    """An answer that is not of the protocol at all."""
