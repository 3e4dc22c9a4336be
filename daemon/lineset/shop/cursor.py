"""Where a page of answers ended, as a text that the asker hands back: opaque to it, checked by us."""

from __future__ import annotations

import base64
from dataclasses import dataclass
from datetime import UTC, date, datetime

import msgspec


class WrongCursor(ValueError):
    """A cursor that was not given out for this question."""


@dataclass(frozen=True, slots=True)
class Cursor:
    """What a cursor says: of which question, and the keys of the last row that was told."""

    values: tuple[str | int | None, ...]

    @classmethod
    def read(cls, text: str, question: str) -> Cursor:
        """Raises WrongCursor."""
        try:
            found = msgspec.json.decode(
                base64.urlsafe_b64decode(text + "=" * (-len(text) % 4)), type=tuple[str | int | None, ...]
            )
        except (ValueError, msgspec.DecodeError) as error:
            raise WrongCursor from error
        if not found or found[0] != question:
            raise WrongCursor
        return cls(found[1:])

    @classmethod
    def _written(cls, question: str, *values: str | int | None) -> str:
        return base64.urlsafe_b64encode(msgspec.json.encode((question, *values))).decode().rstrip("=")

    @classmethod
    def of_number(cls, question: str, number: int) -> str:
        return cls._written(question, number)

    @classmethod
    def of_text(cls, question: str, text: str) -> str:
        return cls._written(question, text)

    @classmethod
    def of_pair(cls, question: str, first: int, second: int) -> str:
        return cls._written(question, first, second)

    @classmethod
    def of_moment(cls, question: str, at: datetime, id_: int) -> str:
        return cls._written(question, at.astimezone(UTC).isoformat(), id_)

    @classmethod
    def of_day(cls, question: str, day: date | None, text: str) -> str:
        return cls._written(question, None if day is None else day.isoformat(), text)

    def number(self) -> int:
        match self.values:
            case (int(number),):
                return _key(number)
        raise WrongCursor

    def text(self) -> str:
        match self.values:
            case (str(text),):
                return _plain(text)
        raise WrongCursor

    def pair(self) -> tuple[int, int]:
        match self.values:
            case (int(first), int(second)):
                return _key(first), _key(second)
        raise WrongCursor

    def moment_and_id(self) -> tuple[datetime, int]:
        match self.values:
            case (str(at), int(id_)):
                try:
                    moment = datetime.fromisoformat(at)
                    if moment.tzinfo is not None:
                        return moment.astimezone(UTC), _key(id_)
                except (ValueError, OverflowError) as error:
                    raise WrongCursor from error
        raise WrongCursor

    def day_and_text(self) -> tuple[date | None, str]:
        match self.values:
            case (str() | None as day, str(text)):
                try:
                    return None if day is None else date.fromisoformat(day), _plain(text)
                except ValueError as error:
                    raise WrongCursor from error
        raise WrongCursor


def _key(number: int) -> int:
    if not 0 <= number < 2**63:
        raise WrongCursor
    return number


def _plain(text: str) -> str:
    if "\x00" in text:
        raise WrongCursor
    return text
