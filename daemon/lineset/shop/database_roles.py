"""The database's roles: who may log in, with which verifier; what each may read is said by the migrations' grants.

The statements can be given to the administrator of a shop's own PostgreSQL as a file: they hold verifiers, from which
no password can be read.
"""

from __future__ import annotations

from collections.abc import Mapping

from lineset.shop.database import connected, explained
from lineset.shop.database_server import password_verifier
from lineset.shop.shop_config import DATABASE_NAME, DATABASE_ROLES, DatabaseAddress, DatabaseRole

ROLE_NAMES: Mapping[DatabaseRole, str] = {role: f"lineset_{role}" for role in DATABASE_ROLES}
_LOCK = 0x6C696E65  # one process at a time makes roles


def role_statements(passwords: Mapping[DatabaseRole, str]) -> tuple[str, ...]:
    """SQL that makes the roles, or gives those that are there these passwords. None may do more than log in."""
    statements = []
    for role, password in passwords.items():
        name = ROLE_NAMES[role]
        statements.append(f"DO $$ BEGIN CREATE ROLE {name}; EXCEPTION WHEN duplicate_object THEN NULL; END $$")
        statements.append(
            f"ALTER ROLE {name} LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOBYPASSRLS "
            f"PASSWORD '{password_verifier(password)}'"
        )
    return tuple(statements)


def database_statements(name: str = DATABASE_NAME) -> tuple[str, ...]:
    """SQL that makes the database; each statement by itself, outside a transaction."""
    logins = ", ".join(ROLE_NAMES.values())
    return (
        f"CREATE DATABASE {name} OWNER {ROLE_NAMES['owner']}",
        f"REVOKE ALL ON DATABASE {name} FROM PUBLIC",
        f"GRANT CONNECT ON DATABASE {name} TO {logins}",
    )


def roles_file(passwords: Mapping[DatabaseRole, str], name: str = DATABASE_NAME) -> str:
    """The statements as a file for `psql -f`, run once by the administrator of a shop's own PostgreSQL."""
    head = "-- Run once as the administrator: psql -f roles.sql postgres. Verifiers only; no password can be read here."
    return "\n".join([head, *(f"{each};" for each in (*role_statements(passwords), *database_statements(name)))]) + "\n"


async def prepare(admin: DatabaseAddress, passwords: Mapping[DatabaseRole, str]) -> None:
    """Make roles and database on an embedded server that has none yet; safe to do again. Raises DatabaseError."""
    async with connected(admin, database="postgres") as connection:
        with explained(admin, "while its roles were made"):
            await connection.execute("SELECT pg_advisory_lock($1)", _LOCK)
            for statement in role_statements(passwords):
                await connection.execute(statement)
            if not await connection.fetchval("SELECT 1 FROM pg_database WHERE datname = $1", admin.name):
                for statement in database_statements(admin.name):
                    await connection.execute(statement)
