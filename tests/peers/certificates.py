"""Certificates made for a test: an authority, and what it signs."""

from __future__ import annotations

import ipaddress
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


class Authority:
    """A certificate authority with its own folder."""

    def __init__(self, folder: Path, name: str) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        certificate = self._builder(self._name, self._key, 0, 30).add_extension(
            x509.BasicConstraints(ca=True, path_length=0), critical=True
        )
        self.file = folder / f"{name}.pem"
        self.file.write_bytes(certificate.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))

    def sign(
        self, name: str, *, address: str = "127.0.0.1", from_days: int = -1, to_days: int = 30
    ) -> tuple[Path, Path]:
        """Make a certificate for an address (or host name); returns its file and its key's file."""
        key = ec.generate_private_key(ec.SECP256R1())
        try:
            general: x509.GeneralName = x509.IPAddress(ipaddress.ip_address(address))
        except ValueError:
            general = x509.DNSName(address)
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        builder = self._builder(subject, key, from_days, to_days).add_extension(
            x509.SubjectAlternativeName([general]), critical=False
        )
        cert_file, key_file = self._folder / f"{name}.pem", self._folder / f"{name}.key"
        cert_file.write_bytes(builder.sign(self._key, hashes.SHA256()).public_bytes(serialization.Encoding.PEM))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
            )
        )
        return cert_file, key_file

    def _builder(
        self, subject: x509.Name, key: ec.EllipticCurvePrivateKey, from_days: int, to_days: int
    ) -> x509.CertificateBuilder:
        now = datetime.now(UTC)
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(now + timedelta(days=from_days))
            .not_valid_after(now + timedelta(days=to_days))
        )
