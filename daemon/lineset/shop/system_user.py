"""As whom the database server runs: as ourselves, or, since it refuses to run as root, as a system user of its own."""

from __future__ import annotations

import os
import stat
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from lineset.shop.errors import ShopPartError, ShopProgramError

NAME = "lineset-database"


class SystemUser(NamedTuple):
    """A user of the operating system, by number."""

    uid: int
    gid: int

    def __str__(self) -> str:
        return f"{self.uid}:{self.gid}"


def database_user() -> SystemUser | None:
    """The system user for the database when we are root (made when it is not there yet); None when we are not.

    Raises ShopProgramError when it cannot be made.
    """
    if sys.platform == "win32" or os.geteuid() != 0:
        return None
    import pwd

    try:
        entry = pwd.getpwnam(NAME)
    except KeyError:
        command = ["useradd", "--system", "--no-create-home", "--shell", "/usr/sbin/nologin", NAME]
        remedy = "Run the shop as an ordinary user, which needs none; or make this user yourself"
        try:
            subprocess.run(command, check=True, capture_output=True, text=True)
            entry = pwd.getpwnam(NAME)
        except (OSError, KeyError) as error:
            raise ShopProgramError(NAME, f"this system user cannot be made ({error})", remedy) from error
        except subprocess.CalledProcessError as error:
            try:  # another process made it at the same moment
                entry = pwd.getpwnam(NAME)
            except KeyError:
                raise ShopProgramError(NAME, f"it cannot be made ({error.stderr.strip()})", remedy) from error
    return SystemUser(entry.pw_uid, entry.pw_gid)


def check_reachable(path: Path, user: SystemUser) -> None:
    """Make sure that `user` can go through every folder above `path`. Raises ShopPartError naming the closed one."""
    for folder in reversed(path.resolve().parents):
        info = folder.stat()
        mode = info.st_mode
        open_to_user = (
            mode & stat.S_IXUSR
            if info.st_uid == user.uid
            else mode & stat.S_IXGRP
            if info.st_gid == user.gid
            else mode & stat.S_IXOTH
        )
        if not open_to_user:
            raise ShopPartError(
                folder,
                f"the database does not run as root but as the system user {NAME}, which cannot pass this folder",
                f"Run the shop as an ordinary user, put its folder elsewhere, or run: chmod o+x {folder}",
            )
