"""An audit as a file that its auditor signed, and public keys as files.

The file is JSON: `audit` (the model of `audit_record`), `signed_ns` (wall time, ns since 1970), `public_key` and
`signature` (Ed25519, RFC 8032, hex) over the line "lineset audit 1", `signed_ns` in decimal, a line feed, and the
very bytes of `audit`. Nothing else is in the file. `lineset audit FILE --key AUDITOR.key` checks it; whose the key is
has to be known from elsewhere (`lineset audit --own-key` at the auditor's). Without this program, in Python:

    import json
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey
    file = open("FILE.audit.json", "rb").read()
    audit, _, rest = file.removeprefix(b'{"audit":').rpartition(b',"signed_ns":')
    fields = json.loads(b'{"signed_ns":' + rest)
    signed = b"lineset audit 1\\n%d\\n" % fields["signed_ns"] + audit
    key = Ed25519PublicKey.from_public_bytes(bytes.fromhex(fields["public_key"]))
    key.verify(bytes.fromhex(fields["signature"]), signed)    # raises InvalidSignature
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import msgspec

from lineset.audit.audit_record import Audit
from lineset.journal import durable
from lineset.journal.errors import JournalError, KeyFileError, WrongFormatError, from_os
from lineset.journal.seal import StationKey, text_signed_by

SUFFIX = ".audit.json"
_PURPOSE = b"audit 1"


class SignedAudit(msgspec.Struct, frozen=True):
    """What the file holds."""

    audit: msgspec.Raw
    signed_ns: int
    public_key: str
    signature: str

    def content(self) -> Audit:
        """The audit. Raises msgspec.ValidationError or DecodeError where it is none of ours."""
        return msgspec.json.decode(self.audit, type=Audit)

    def when(self) -> str:
        """When it was signed, by the auditor's own clock, ISO 8601; empty where that is no time."""
        try:
            return datetime.fromtimestamp(self.signed_ns / 1e9, UTC).isoformat(timespec="seconds")
        except (OverflowError, ValueError, OSError):
            return ""

    def signed_well(self) -> bool:
        """Whether the signature belongs to the key that the file names; whose that is is another question."""
        try:
            key, signature = bytes.fromhex(self.public_key), bytes.fromhex(self.signature)
        except ValueError:
            return False
        if (key.hex(), signature.hex()) != (self.public_key, self.signature):
            return False  # the same digits in another spelling: no auditor writes that
        return text_signed_by(key, signature, _PURPOSE, _text(self.signed_ns, bytes(self.audit)))


def _text(signed_ns: int, audit: bytes) -> bytes:
    return str(signed_ns).encode() + b"\n" + audit


def write_signed(audit: Audit, key: StationKey, folder: Path) -> Path:
    """Sign an audit and put it into `folder` (made if needed); its path. Raises JournalError."""
    body = msgspec.json.encode(audit)
    now = time.time_ns()
    signature = key.sign_text(_PURPOSE, _text(now, body)).hex()
    signed = SignedAudit(msgspec.Raw(body), now, key.public.hex(), signature)
    of_shop = audit.shop is not None and audit.shop.from_shop
    name = f"{audit.station}-{audit.visit}" if of_shop else Path(audit.target).stem
    path = folder / f"{name.replace('/', '_')}{SUFFIX}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        durable.write_atomically(path, msgspec.json.encode(signed) + b"\n")
    except OSError as error:
        raise from_os(error, path) from error
    return path


def read_signed(path: Path) -> SignedAudit:
    """Read such a file. Raises JournalError when it cannot be read or is none."""
    try:
        content = path.read_bytes()
        signed = msgspec.json.decode(content, type=SignedAudit)
        signed.content()
    except OSError as error:
        raise from_os(error, path) from error
    except (msgspec.ValidationError, msgspec.DecodeError) as error:
        raise WrongFormatError(path, f"this is not a signed audit ({error})", "Name a file of audit --out") from error
    if content.strip() != msgspec.json.encode(signed):
        # a field twice, or one more: another reader of the file would believe what nobody signed
        raise WrongFormatError(path, "it holds more than what was signed, or in another form", "Ask for the file anew")
    return signed


def read_public_key(path: Path) -> bytes:
    """A public key (32 bytes) from a file: 64 hex digits, a public key as PEM, or the station's own key file.

    Raises MissingFileError, PermissionDeniedError, KeyFileError.
    """
    try:
        raw = path.read_bytes()[:65536]
    except OSError as error:
        raise from_os(error, path) from error
    try:
        if b"PRIVATE KEY" in raw:
            return StationKey.load(path).public
        if b"PUBLIC KEY" in raw:
            return _from_pem(raw)
        key = bytes.fromhex(raw.decode("ascii"))
        if len(key) != 32:
            raise ValueError("not 32 bytes")
        return key
    except JournalError:
        raise
    except ValueError as error:
        raise KeyFileError(
            path, "this is no Ed25519 public key", "Give 64 hex digits, as lineset audit --own-key shows them, or PEM"
        ) from error


def _from_pem(raw: bytes) -> bytes:
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    key = serialization.load_pem_public_key(raw)
    if not isinstance(key, Ed25519PublicKey):
        raise ValueError("a key of another kind")
    return key.public_bytes(serialization.Encoding.Raw, serialization.PublicFormat.Raw)
