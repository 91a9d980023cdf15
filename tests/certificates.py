"""Certificates that tests make for 127.0.0.1, each signing itself, with what lasts as long as a test wants."""

from __future__ import annotations

import datetime
import ipaddress
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID


def write_pair(folder: Path, name: str, days: float = 30.0, password: bytes = b"") -> tuple[Path, Path]:
    """A certificate and its key, as PEM.

    Args:
        folder, name: Of the files. days: From now to its end; negative: it has ended. password: Of the key, if any.
    """
    key = ec.generate_private_key(ec.SECP256R1())
    now = datetime.datetime.now(datetime.UTC)
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    made = (
        x509.CertificateBuilder(who, who, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=90))
        .not_valid_after(now + datetime.timedelta(days=days))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    cert_file, key_file = folder / f"{name}.pem", folder / f"{name}.key"
    cert_file.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    lock = serialization.BestAvailableEncryption(password) if password else serialization.NoEncryption()
    key_file.write_bytes(key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, lock))
    return cert_file, key_file
