"""The seal of a closed journal: the station's Ed25519 signature (RFC 8032) over the last hash and the counts."""

from __future__ import annotations

import os
import stat
import struct
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec

from lineset.journal import durable
from lineset.journal.errors import KeyFileError, from_os

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

_COUNTS = struct.Struct(">QQQQQq")


class Seal(msgspec.Struct, frozen=True):
    """What was signed: counts, first and last seq, `t` (ns) of closing, the last block's hash, and by whom."""

    blocks: int
    rows: int
    gaps: int
    first: int
    last: int
    t: int
    head: bytes
    public_key: bytes
    signature: bytes

    def message(self, genesis: bytes) -> bytes:
        """The signed bytes: a name, the journal's genesis hash, the counts, the head, the public key."""
        counts = _COUNTS.pack(self.blocks, self.rows, self.gaps, self.first, self.last, self.t)
        return b"lineset seal 1\n" + genesis + counts + self.head + self.public_key

    def signed_by_its_key(self, genesis: bytes) -> bool:
        """True when the signature belongs to `public_key`; whether that is the right station's is another question."""
        from cryptography.exceptions import InvalidSignature
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

        try:
            Ed25519PublicKey.from_public_bytes(self.public_key).verify(self.signature, self.message(genesis))
        except (InvalidSignature, ValueError):
            return False
        return True


class StationKey:
    """The station's signing key. Kept in a PEM file (PKCS #8, RFC 5958) that its owner alone may read."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        from cryptography.hazmat.primitives import serialization

        self._private = private
        self.public = private.public_key().public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)

    @classmethod
    def generate(cls, path: Path) -> StationKey:
        """Make a key and keep it at `path`, mode 0600. Raises ExistingFileError rather than replace one."""
        from cryptography.hazmat.primitives import serialization
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        private = Ed25519PrivateKey.generate()
        text = private.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
        scrap = path.with_name(f".{path.name}.{os.getpid()}")
        try:
            durable.write_atomically(scrap, text, mode=0o600)
            try:
                # unlike a rename a link never replaces: of two that generate at once one wins
                os.link(scrap, path)
            finally:
                scrap.unlink()
            durable.sync_folder(path.parent)
        except OSError as error:
            raise from_os(error, path) from error
        return cls(private)

    @classmethod
    def load(cls, path: Path) -> StationKey:
        """Raises MissingFileError, PermissionDeniedError, or KeyFileError: open to others, damaged, another kind."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey
        from cryptography.hazmat.primitives.serialization import load_pem_private_key

        try:
            with open(path, "rb") as file:
                status = os.fstat(file.fileno())
                text = file.read(65536)
        except OSError as error:
            raise from_os(error, path) from error
        if stat.S_IMODE(status.st_mode) & 0o077:
            mode = f"{stat.S_IMODE(status.st_mode):04o}"
            raise KeyFileError(
                path, f"others may read or change the station's key (mode {mode})", f"Run: chmod 600 {path}"
            )
        if status.st_uid not in (os.geteuid(), 0):
            raise KeyFileError(path, "the station's key belongs to another user", f"Run: chown {os.geteuid()} {path}")
        try:
            private = load_pem_private_key(text, password=None)
        except (ValueError, TypeError) as error:
            raise KeyFileError(
                path, "the station's key is damaged", "Restore it from a copy, or move it away for a new one"
            ) from error
        if not isinstance(private, Ed25519PrivateKey):
            raise KeyFileError(path, "this is a key of another kind, not Ed25519", "Move it away for a new one")
        return cls(private)

    @classmethod
    def load_or_generate(cls, path: Path) -> StationKey:
        """The station's key; made at the first start."""
        return cls.load(path) if path.exists() else cls.generate(path)

    def sign(self, seal: Seal, genesis: bytes) -> Seal:
        """The seal with this key and its signature."""
        unsigned = msgspec.structs.replace(seal, public_key=self.public, signature=b"")
        return msgspec.structs.replace(unsigned, signature=self._private.sign(unsigned.message(genesis)))

    def sign_text(self, purpose: bytes, text: bytes) -> bytes:
        """The signature over something else than a seal; `purpose` (a line) keeps it from passing for another thing."""
        return self._private.sign(b"lineset " + purpose + b"\n" + text)


def text_signed_by(public_key: bytes, signature: bytes, purpose: bytes, text: bytes) -> bool:
    """Whether `signature` over `text` for `purpose` was made with the key of `public_key` (32 bytes)."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, b"lineset " + purpose + b"\n" + text)
    except (InvalidSignature, ValueError):
        return False
    return True
