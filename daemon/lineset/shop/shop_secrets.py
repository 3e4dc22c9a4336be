"""The shop's secrets: files in FOLDER/secrets that only their owner can read; made at random, never replaced."""

from __future__ import annotations

import secrets
from collections.abc import Iterable
from pathlib import Path

from lineset.shop.database_roles import ROLE_NAMES
from lineset.shop.database_server import ADMIN
from lineset.shop.errors import ShopSettingsError
from lineset.shop.shop_config import BROKER_ROLES, DATABASE_ROLES, DatabaseRole, ShopConfig
from lineset.stream.address import read_credentials, write_private
from lineset.stream.errors import SettingsError

_BYTES = 24  # of a password: 192 bits, so that a fast hash of it is as good as a slow one


def new_password() -> str:
    """A random password of letters, digits, dash and underscore, which no file format or shell needs to quote."""
    while (password := secrets.token_urlsafe(_BYTES)).startswith("-"):
        pass
    return password


def broker_user(role: str) -> str:
    """The user name of a part of the shop at the broker; the dot keeps it apart from every station's."""
    return f"shop.{role}"


def usernames() -> dict[str, str]:
    """Every credentials file by name, with the user name in it."""
    names = {f"broker-{role}": broker_user(role) for role in BROKER_ROLES}
    names |= {f"database-{role}": ROLE_NAMES[role] for role in DATABASE_ROLES}
    return {**names, "database-admin": ADMIN, "broker-cluster": "shop.cluster"}


def make_secrets(folder: Path, names: Iterable[str]) -> list[Path]:
    """Make the files that are not there yet; those made. Raises OSError."""
    place = folder / "secrets"
    place.mkdir(mode=0o700, exist_ok=True)
    made, known = [], usernames()
    for name in names:
        path = place / f"{name}.toml"
        if not path.exists():
            write_private(path, credentials_text(known[name], new_password()).encode())
            made.append(path)
    return made


def credentials_text(username: str, password: str) -> str:
    """The text of a credentials file, as `stream.address.read_credentials` reads it."""
    return f'username = "{username}"\npassword = "{password}"\n'


def secret(config: ShopConfig, name: str) -> tuple[str, str]:
    """User name and password of one file. Raises ShopSettingsError."""
    try:
        return read_credentials(config.secret(name))
    except SettingsError as error:
        remedy = "Put the file back from your backup, or run lineset shop init again, which makes what is missing"
        raise ShopSettingsError(config.folder, str(error), remedy) from error


def check_secrets(config: ShopConfig) -> None:
    """Read every credentials file. Raises ShopSettingsError for one that others can read or that is damaged."""
    for path in sorted((config.folder / "secrets").glob("*.toml")):
        secret(config, path.stem)


def database_passwords(config: ShopConfig) -> dict[DatabaseRole, str]:
    """The passwords of the database's roles. Raises ShopSettingsError."""
    return {role: secret(config, f"database-{role}")[1] for role in DATABASE_ROLES}
