"""The station's key and the seal it makes."""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
import sys
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineset.journal.errors import ExistingFileError, KeyFileError, MissingFileError
from lineset.journal.seal import Seal, StationKey

SEAL = Seal(3, 100, 1, 1, 103, 5_000, bytes(range(32)), b"", b"")
GENESIS = bytes(32)


def test_the_key_file_is_the_owners_alone_and_comes_back(tmp_path: Path) -> None:
    old = os.umask(0)
    try:
        key = StationKey.generate(tmp_path / "key")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "key").stat().st_mode) == 0o600
    assert os.listdir(tmp_path) == ["key"]
    assert StationKey.load(tmp_path / "key").public == key.public
    assert StationKey.load_or_generate(tmp_path / "key").public == key.public
    assert StationKey.load_or_generate(tmp_path / "other").public != key.public
    with pytest.raises(ExistingFileError):
        StationKey.generate(tmp_path / "key")
    assert StationKey.load(tmp_path / "key").public == key.public
    with pytest.raises(MissingFileError):
        StationKey.load(tmp_path / "none")


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o620, 0o601, 0o666])
def test_a_key_that_others_may_touch_is_refused(tmp_path: Path, mode: int) -> None:
    StationKey.generate(tmp_path / "key")
    os.chmod(tmp_path / "key", mode)
    with pytest.raises(KeyFileError, match=rf"mode 0{mode:o}\)\. Run: chmod 600 {tmp_path}/key"):
        StationKey.load(tmp_path / "key")


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give a file to another user")
def test_a_key_of_another_user_is_refused(tmp_path: Path) -> None:
    StationKey.generate(tmp_path / "key")
    os.chown(tmp_path / "key", 65534, 65534)
    with pytest.raises(KeyFileError, match="belongs to another user"):
        StationKey.load(tmp_path / "key")


def test_a_damaged_key_and_one_of_another_kind_are_told_apart(tmp_path: Path) -> None:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.x25519 import X25519PrivateKey

    path = tmp_path / "key"
    StationKey.generate(path)
    text = path.read_bytes()
    path.write_bytes(text[:60])
    with pytest.raises(KeyFileError, match="damaged"):
        StationKey.load(path)
    path.write_bytes(
        X25519PrivateKey.generate().private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    with pytest.raises(KeyFileError, match="another kind"):
        StationKey.load(path)


@given(place=st.integers(0, 10_000), change=st.integers(1, 255), where=st.sampled_from(msgspec.structs.fields(Seal)))
def test_any_change_to_what_is_signed_breaks_the_seal(
    place: int, change: int, where: msgspec.structs.FieldInfo
) -> None:
    value = getattr(SIGNED, where.name)
    changed: int | bytes
    if isinstance(value, int):
        changed = value ^ change
    else:
        raw = bytearray(value)
        raw[place % len(raw)] ^= change
        changed = bytes(raw)
    assert not msgspec.structs.replace(SIGNED, **{where.name: changed}).signed_by_its_key(GENESIS)


def test_a_seal_belongs_to_one_journal() -> None:
    assert SIGNED.signed_by_its_key(GENESIS)
    assert not SIGNED.signed_by_its_key(bytes([1]) + bytes(31))


@pytest.mark.skipif(shutil.which("openssl") is None, reason="needs the openssl program as a second opinion")
def test_another_program_agrees_with_the_signature(tmp_path: Path) -> None:
    key = StationKey.generate(tmp_path / "key")
    seal = key.sign(SEAL, GENESIS)
    (tmp_path / "message").write_bytes(seal.message(GENESIS))
    (tmp_path / "signature").write_bytes(seal.signature)
    command = ["openssl", "pkeyutl", "-verify", "-rawin", "-inkey", "key", "-in", "message", "-sigfile", "signature"]
    answer = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert "Signature Verified Successfully" in answer.stdout
    assert seal.message(GENESIS).endswith(key.public)


def test_the_journal_is_ready_without_the_weight_of_cryptography() -> None:
    code = "import sys, lineset.journal.station_journal, lineset.journal.verify, lineset.journal.writer"
    code += "; sys.exit('cryptography' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def _signed() -> Seal:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    return StationKey(Ed25519PrivateKey.from_private_bytes(bytes(32))).sign(SEAL, GENESIS)


SIGNED = _signed()
