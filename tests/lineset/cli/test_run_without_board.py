"""A station that serves no board does not load a web server: it would cost memory and time at the start."""

from __future__ import annotations

import asyncio
import sys
from pathlib import Path

import pytest
from cli_process import CONFIG

RUN = """
import sys
from pathlib import Path
from lineset.cli.run import run
from lineset.station import daemon

async def not_now(config, **more):
    print(",".join(name for name in ("uvicorn", "starlette") if name in sys.modules))

daemon.run = not_now
run(config=Path(sys.argv[1]))
"""


@pytest.mark.parametrize(("enabled", "loaded"), [("false", ""), ("true", "uvicorn,starlette")])
async def test_a_web_server_is_loaded_only_to_serve_a_board(tmp_path: Path, enabled: str, loaded: str) -> None:
    file = tmp_path / "van.toml"
    file.write_text(CONFIG + f"[board]\nenabled = {enabled}\n")
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", RUN, str(file), stdout=asyncio.subprocess.PIPE, stderr=asyncio.subprocess.PIPE
    )
    out, err = await asyncio.wait_for(process.communicate(), 60.0)
    assert process.returncode == 0, err.decode()
    assert out.decode().strip() == loaded
