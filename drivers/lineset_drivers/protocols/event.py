"""The event that a question was not answered as it should have been."""

from __future__ import annotations

from typing import Generic, NamedTuple, TypeVar

from ..errors import InstrumentError

Asked = TypeVar("Asked")


class Failure(NamedTuple, Generic[Asked]):
    """`request` failed with `error`; `raw` is all that came on the wire for it (empty when nothing came)."""

    request: Asked
    error: InstrumentError
    raw: bytes
