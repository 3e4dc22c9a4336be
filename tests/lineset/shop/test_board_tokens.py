"""Tokens of the shop's board, by the command line and as a file."""

from __future__ import annotations

import json
import stat
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from typer.testing import CliRunner

from lineset.cli.shop import app
from lineset.shop.board_tokens import TOKENS_FILE, Token, add_token, hash_of, match, read_tokens
from lineset.shop.errors import TokenError


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "shop.toml").write_text(
        '[shop]\nname = "north"\n[broker]\nembedded = false\nurls = ["mqtts://broker.example"]\n'
    )
    return tmp_path


def test_a_token_is_made_named_and_taken_back(folder: Path) -> None:
    runner, where = CliRunner(), ["--folder", str(folder)]
    made = runner.invoke(app, ["token", "add", "front desk", "--scope", "notes", "--json", *where])
    assert made.exit_code == 0, made.output
    told = json.loads(made.stdout)
    assert told["scopes"] == ["board", "notes"]
    assert told["url"].endswith(f"#{told['token']}")
    file = folder / TOKENS_FILE
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert told["token"] not in file.read_text()
    found = match(told["token"], read_tokens(folder), datetime.now(UTC))
    assert found is not None
    assert found.name == "front desk"
    again = runner.invoke(app, ["token", "add", "front desk", *where])
    assert again.exit_code == 1
    assert "revoke" in again.output
    assert "front desk" in runner.invoke(app, ["token", "list", *where]).stdout
    assert told["token"] not in runner.invoke(app, ["token", "list", "--json", *where]).stdout
    assert runner.invoke(app, ["token", "revoke", "front desk", *where]).exit_code == 0
    assert runner.invoke(app, ["token", "revoke", "front desk", *where]).exit_code == 1
    assert match(told["token"], read_tokens(folder), datetime.now(UTC)) is None
    wrong = runner.invoke(app, ["token", "add", "x", "--scope", "everything", *where])
    assert wrong.exit_code == 2
    assert "board or notes" in wrong.output


def test_a_token_that_has_expired_opens_nothing() -> None:
    now = datetime(2026, 11, 25, tzinfo=UTC)
    token = Token(name="t", sha256=hash_of("secret"), scopes=("board",), made=now, expires=now + timedelta(days=1))
    assert match("secret", [token], now) is token
    assert match("secret", [token], now + timedelta(days=1)) is None
    assert match("secre", [token], now) is None


def test_what_cannot_be_a_token_is_refused(folder: Path) -> None:
    for name in ("", "a" * 49, "line\nbreak", "-dash"):
        with pytest.raises(TokenError, match="no name of a token"):
            add_token(folder, name, ())
    with pytest.raises(TokenError, match="no span"):
        add_token(folder, "x", (), days=0)
    file = folder / TOKENS_FILE
    file.write_text("{}")
    file.chmod(0o644)
    with pytest.raises(TokenError, match="chmod 600"):
        read_tokens(folder)
    file.chmod(0o600)
    file.write_text('{"tokens": 5}')
    with pytest.raises(TokenError, match="cannot be read"):
        read_tokens(folder)
