"""Certificates for a private network: an authority of the shop's own, and a certificate for each broker node.

Keys are ECDSA on P-256 (FIPS 186-5). A node's certificate names its host, localhost and the loopback addresses; it
serves stations and the other nodes of a cluster alike. Whoever has `authority.key` can make certificates that every
station trusts: it is only needed to make or renew, and may be kept elsewhere.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import ipaddress
import os
from pathlib import Path
from typing import TYPE_CHECKING

from lineset.shop.errors import ShopSettingsError
from lineset.stream.address import write_private

if TYPE_CHECKING:
    from cryptography import x509
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey

AUTHORITY_DAYS = 3650
NODE_DAYS = 825
RENEW_DAYS = 30  # before its end a certificate is made anew
_BACKDATED = dt.timedelta(hours=1)  # for clocks that are behind


def make_authority(folder: Path, shop: str) -> bool:
    """Make `authority.pem` and `authority.key` unless they are there; whether it made them. Raises OSError."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec

    if (folder / "authority.pem").exists():
        return False
    key = ec.generate_private_key(ec.SECP256R1())
    builder = _builder(f"lineset shop {shop}", AUTHORITY_DAYS).public_key(key.public_key())
    certificate = (
        builder.issuer_name(_name(f"lineset shop {shop}"))
        .add_extension(x509.BasicConstraints(ca=True, path_length=0), critical=True)
        .add_extension(_usage(signs_certificates=True), critical=True)
        .add_extension(x509.SubjectKeyIdentifier.from_public_key(key.public_key()), critical=False)
        .sign(key, hashes.SHA256())
    )
    _write(folder, "authority", certificate, key)
    return True


def make_node(folder: Path, name: str, host: str) -> None:
    """Make or renew `NAME.pem` and `NAME.key` for the node at `host`, by `authority.key`. Raises ShopSettingsError."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID

    authority, authority_key = _load(folder)
    key = ec.generate_private_key(ec.SECP256R1())
    names: list[x509.GeneralName] = []
    for each in dict.fromkeys((host, "localhost", "127.0.0.1", "::1")):
        try:
            names.append(x509.IPAddress(ipaddress.ip_address(each)))
        except ValueError:
            names.append(x509.DNSName(each))
    usages = [ExtendedKeyUsageOID.SERVER_AUTH, ExtendedKeyUsageOID.CLIENT_AUTH]
    days = min(NODE_DAYS, (authority.not_valid_after_utc - dt.datetime.now(dt.UTC)).days)
    certificate = (
        _builder(name, days)
        .public_key(key.public_key())
        .issuer_name(authority.subject)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(_usage(signs_certificates=False), critical=True)
        .add_extension(x509.ExtendedKeyUsage(usages), critical=False)
        .add_extension(x509.SubjectAlternativeName(names), critical=False)
        .add_extension(x509.AuthorityKeyIdentifier.from_issuer_public_key(authority_key.public_key()), critical=False)
        .sign(authority_key, hashes.SHA256())
    )
    _write(folder, name, certificate, key)


def valid_until(path: Path) -> dt.datetime:
    """The end of a certificate, UTC. Raises ShopSettingsError."""
    from cryptography import x509

    try:
        return x509.load_pem_x509_certificate(path.read_bytes()).not_valid_after_utc
    except (OSError, ValueError) as error:
        raise ShopSettingsError(path, f"this certificate cannot be read ({error})", "Give a PEM file") from error


def names_host(path: Path, host: str) -> bool:
    """Whether a certificate is for `host`, a name or an address. Raises ShopSettingsError."""
    from cryptography import x509

    try:
        certificate = x509.load_pem_x509_certificate(path.read_bytes())
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return False
    except (OSError, ValueError) as error:
        raise ShopSettingsError(path, f"this certificate cannot be read ({error})", "Give a PEM file") from error
    try:
        return ipaddress.ip_address(host) in names.get_values_for_type(x509.IPAddress)
    except ValueError:
        return host.lower() in {name.lower() for name in names.get_values_for_type(x509.DNSName)}


def days_left(path: Path) -> int:
    """Whole days until the end of a certificate, negative when it has ended. Raises ShopSettingsError."""
    return (valid_until(path) - dt.datetime.now(dt.UTC)).days


def check_pair(certificate: Path, key: Path) -> None:
    """Raises ShopSettingsError unless the key belongs to the certificate and both can be used."""
    import ssl

    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    try:
        context.load_cert_chain(certificate, key)
    except (OSError, ssl.SSLError) as error:
        raise ShopSettingsError(
            f"{certificate}, {key}", f"these files cannot be used ({error})", "Give a certificate and its key as PEM"
        ) from error


def _builder(name: str, days: int) -> x509.CertificateBuilder:
    from cryptography import x509

    now = dt.datetime.now(dt.UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(_name(name))
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - _BACKDATED)
        .not_valid_after(now + dt.timedelta(days=days))
    )


def _name(name: str) -> x509.Name:
    from cryptography import x509
    from cryptography.x509.oid import NameOID

    return x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])


def _usage(*, signs_certificates: bool) -> x509.KeyUsage:
    from cryptography import x509

    return x509.KeyUsage(
        digital_signature=True,
        content_commitment=False,
        key_encipherment=False,
        data_encipherment=False,
        key_agreement=False,
        key_cert_sign=signs_certificates,
        crl_sign=signs_certificates,
        encipher_only=False,
        decipher_only=False,
    )


def _load(folder: Path) -> tuple[x509.Certificate, EllipticCurvePrivateKey]:
    from cryptography import x509
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ec import EllipticCurvePrivateKey

    try:
        key = serialization.load_pem_private_key((folder / "authority.key").read_bytes(), None)
        certificate = x509.load_pem_x509_certificate((folder / "authority.pem").read_bytes())
    except (OSError, ValueError) as error:
        remedy = "Put authority.pem and authority.key back for as long as certificates are made"
        raise ShopSettingsError(folder, f"the shop's authority cannot be used ({error})", remedy) from error
    if not isinstance(key, EllipticCurvePrivateKey):
        raise ShopSettingsError(folder / "authority.key", "this is no key of ours", "Put the right file back")
    return certificate, key


def _write(folder: Path, name: str, certificate: x509.Certificate, key: EllipticCurvePrivateKey) -> None:
    """The key first, so that a certificate never lies there without; both appear whole."""
    from cryptography.hazmat.primitives import serialization

    form = (serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    write_private(folder / f"{name}.key", key.private_bytes(*form))
    path = folder / f"{name}.pem"
    write_private(path, certificate.public_bytes(serialization.Encoding.PEM))
    with contextlib.suppress(OSError):
        os.chmod(path, 0o644)
