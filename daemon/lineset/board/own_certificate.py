"""A certificate of the station's own for a board on the local network: nobody there reads passwords along.

Nobody vouches for it, so a phone asks once; who wants to be sure compares the fingerprint that `lineset board` prints.
A shop that has an authority gives the board a certificate of that instead.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import ipaddress
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from lineset.stream.address import read_private, write_private
from lineset.stream.errors import SettingsError

if TYPE_CHECKING:
    from cryptography import x509

DAYS = 397  # longer ones are refused by common browsers
RENEW_DAYS = 30
_BACKDATED = dt.timedelta(hours=1)  # for clocks that are behind


class OwnCertificate(NamedTuple):
    """Files (PEM), and the SHA-256 of the certificate as browsers show it."""

    certificate: Path
    key: Path
    fingerprint: str


def own_certificate(folder: Path, names: tuple[str, ...]) -> OwnCertificate:
    """The certificate in `folder` for these names and addresses, made or renewed where needed. Raises OSError.

    A key that others can read, or a file that is damaged, is made anew.
    """
    certificate, key = folder / "board-certificate.pem", folder / "board-certificate.key"
    found = _usable(certificate, key, names)
    if found is None:
        found = _make(certificate, key, names)
    digits = hashlib.sha256(found).hexdigest().upper()
    return OwnCertificate(certificate, key, ":".join(digits[at : at + 2] for at in range(0, len(digits), 2)))


def _usable(certificate: Path, key: Path, names: tuple[str, ...]) -> bytes | None:
    from cryptography import x509
    from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat, load_pem_private_key

    try:
        private = load_pem_private_key(read_private(key, "key"), None)
        found = x509.load_pem_x509_certificate(certificate.read_bytes())
        there = found.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except (OSError, SettingsError, ValueError, TypeError, x509.ExtensionNotFound):
        return None
    spki = Encoding.DER, PublicFormat.SubjectPublicKeyInfo
    fits = private.public_key().public_bytes(*spki) == found.public_key().public_bytes(*spki)
    left = found.not_valid_after_utc - dt.datetime.now(dt.UTC)
    if not fits or left < dt.timedelta(days=RENEW_DAYS) or set(there) != set(_alternatives(names)):
        return None
    return found.public_bytes(Encoding.DER)


def _make(certificate: Path, key: Path, names: tuple[str, ...]) -> bytes:
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    private = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "lineset board")])
    now = dt.datetime.now(dt.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(private.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BACKDATED)
        .not_valid_after(now + dt.timedelta(days=DAYS))
        .add_extension(x509.SubjectAlternativeName(_alternatives(names)), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(private, hashes.SHA256())
    )
    write_private(key, private.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption()))
    write_private(certificate, made.public_bytes(Encoding.PEM))
    return made.public_bytes(Encoding.DER)


def _alternatives(names: tuple[str, ...]) -> list[x509.GeneralName]:
    from cryptography import x509

    found: list[x509.GeneralName] = []
    for name in dict.fromkeys(names):
        try:
            found.append(x509.IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            found.append(x509.DNSName(name))
    return found
