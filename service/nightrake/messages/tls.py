"""TLS from files, and plain words for what goes wrong with it. There is no fall-back to a plain connection."""

from __future__ import annotations

import ssl
from pathlib import Path

from nightrake.errors import MessageError

_VERIFY_WORDS = {
    9: "its certificate is not valid yet; is this machine's clock right?",
    10: "its certificate has expired; renew it at the broker",
    18: "its certificate is self-signed and not in mqtt.ca_file",
    19: "its certificate comes from an authority that is not in mqtt.ca_file",
    20: "its certificate comes from an authority that is not in mqtt.ca_file",
    21: "its certificate comes from an authority that is not in mqtt.ca_file",
    23: "its certificate has been revoked",
    62: "its certificate is for another host name; correct mqtt.host or the certificate",
    64: "its certificate is for another address; correct mqtt.host or the certificate",
}
"""OpenSSL verification result (X509_V_ERR_...) -> what it means here."""


class _Socket(ssl.SSLSocket):
    """Closes itself when the handshake fails; the library above would leave it to the garbage collector."""

    def do_handshake(self, block: bool = False) -> None:
        try:
            super().do_handshake(block)
        except (ssl.SSLWantReadError, ssl.SSLWantWriteError):
            raise
        except OSError:
            self.close()
            raise


def tls_context(ca_file: str, cert_file: str, key_file: str) -> ssl.SSLContext | None:
    """Make the TLS context from files; None when none is named.

    Args:
        ca_file: Authorities that the broker's certificate is checked against.
        cert_file, key_file: Our own certificate and key, or "".

    Raises:
        MessageError: A file is missing or unusable, or a certificate is named without authorities.
    """
    if not (ca_file or cert_file or key_file):
        return None
    if not ca_file:
        raise MessageError(
            "mqtt.cert_file or mqtt.key_file is set but mqtt.ca_file is not; name the authorities' file, or none at all"
        )
    if bool(cert_file) != bool(key_file):
        raise MessageError("mqtt.cert_file and mqtt.key_file belong together; set both or none")
    for key, name in (("ca_file", ca_file), ("cert_file", cert_file), ("key_file", key_file)):
        if name and not Path(name).is_file():
            raise MessageError(f"mqtt.{key}: there is no file {name}; correct the path")
    try:
        context = ssl.create_default_context(cafile=ca_file)
    except (ssl.SSLError, OSError) as error:
        raise MessageError(
            f"mqtt.ca_file: {ca_file} holds no usable certificate in PEM form ({_short(error)})"
        ) from error
    context.sslsocket_class = _Socket
    if cert_file:
        try:
            context.load_cert_chain(cert_file, key_file, password=lambda: b"")
        except (ssl.SSLError, OSError) as error:
            raise MessageError(
                f"mqtt.cert_file {cert_file} and mqtt.key_file {key_file} cannot be used together ({_short(error)}); "
                "both must be in PEM form, match each other, and the key must have no pass phrase"
            ) from error
    return context


def tls_words(error: ssl.SSLError) -> str:
    """What a failed handshake means, as the end of a sentence about the broker."""
    if isinstance(error, ssl.SSLCertVerificationError):
        known = _VERIFY_WORDS.get(error.verify_code)
        return known or f"its certificate was refused ({error.verify_message})"
    return f"the TLS handshake failed ({_short(error)}); is this the broker's TLS port, and does it want a certificate?"


def _short(error: OSError) -> str:
    return str(error.reason if isinstance(error, ssl.SSLError) and error.reason else error.strerror or error)
