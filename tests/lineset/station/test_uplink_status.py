"""How the uplink stands, kept for the doctor."""

from __future__ import annotations

from pathlib import Path

import pytest

from lineset.station.uplink_status import NAME, StatusFile, UplinkStatus, read_status


async def test_what_could_not_be_kept_is_kept_as_soon_as_it_can(tmp_path: Path) -> None:
    file = StatusFile(tmp_path)
    status = UplinkStatus(t=1.0, joined=True, connected=True, sentence="The shop receives the record.")
    (tmp_path / NAME).mkdir()  # nothing can be put in its place
    with pytest.raises(OSError, match="directory"):
        await file.keep(status)
    (tmp_path / NAME).rmdir()
    await file.keep(status)
    assert read_status(tmp_path) == status
    assert [each.name for each in tmp_path.iterdir()] == [NAME]
