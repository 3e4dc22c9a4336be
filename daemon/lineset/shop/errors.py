"""Typed errors of the shop. Every message says what happened, where, and what to do about it."""

from __future__ import annotations


class ShopError(Exception):
    """Base of the shop's errors: `problem` and `remedy` are sentences for people, `where` a file, address or name."""

    def __init__(self, where: object, problem: str, remedy: str) -> None:
        self.where, self.problem, self.remedy = str(where), problem, remedy
        super().__init__(f"{where}: {problem}. {remedy}")


class ShopSettingsError(ShopError):
    """`shop.toml`, or a file that it names, cannot be used as it is."""


class NoShopError(ShopError):
    """There is no shop in this folder."""


class ShopFolderBusyError(ShopError):
    """Another process runs this part of the shop from the same folder."""


class ShopPortError(ShopError):
    """Another program listens where a part of the shop is to listen."""


class ShopProgramError(ShopError):
    """A program or package that this part of the shop needs is not on this machine."""


class ShopPartError(ShopError):
    """A part of the shop (a broker, the database) did not start or ended."""


class StationError(ShopError):
    """A station of this name cannot be added, rotated or revoked as asked."""


class UnknownNameError(ShopError):
    """A visit or station was named that the shop knows nothing of."""


class TokenError(ShopError):
    """A token of the board cannot be made, taken back or read."""


class DatabaseError(ShopError):
    """The database cannot be reached, or refuses."""


class NewerSchemaError(DatabaseError):
    """The database has tables of a later program than this one; nothing was changed."""


class AlteredSchemaError(DatabaseError):
    """The database was made by other files than this program has under the same numbers; nothing was changed."""
