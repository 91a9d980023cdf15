"""Ed25519 keys of people: made, kept in a file under a passphrase, used. The only file that knows the library.

The watch needs `verify` only, and loads the library when the first person has a key (some 8 MB).
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from nightrake.errors import MessageError

if TYPE_CHECKING:
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

PASSPHRASE_AT_LEAST = 12
"""Characters: the PEM form slows down guessing by 2,048 rounds only."""
LONGEST_FILE = 16 * 1024


def load_library() -> None:
    """Load it now: the first command is not to hold up the scans."""
    from cryptography.hazmat.primitives.asymmetric import ed25519  # noqa: F401


def verify(public_key: bytes, signature: bytes, signed: bytes) -> bool:
    """Whether a signature (64 bytes) over some bytes was made with the private key of this public key (32 bytes)."""
    from cryptography.exceptions import InvalidSignature
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

    try:
        Ed25519PublicKey.from_public_bytes(public_key).verify(signature, signed)
    except (InvalidSignature, ValueError):
        return False
    return True


class OperatorKey:
    """A person's private key."""

    def __init__(self, private: Ed25519PrivateKey) -> None:
        self._private = private

    @classmethod
    def make(cls) -> OperatorKey:
        """A new one, by the chance of the operating system."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return cls(Ed25519PrivateKey.generate())

    @classmethod
    def from_seed(cls, seed: bytes) -> OperatorKey:
        """The key that 32 bytes stand for (RFC 8032, section 5.1.5), for examples."""
        from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

        return cls(Ed25519PrivateKey.from_private_bytes(seed))

    @property
    def public(self) -> bytes:
        """The public key that goes with it, 32 bytes."""
        return self._private.public_key().public_bytes_raw()

    def sign(self, signed: bytes) -> bytes:
        """Sign; 64 bytes."""
        return self._private.sign(signed)

    def save(self, file: Path, passphrase: str) -> None:
        """Write it into a new file that only its owner can read, encrypted (PKCS #8, PEM).

        Raises:
            MessageError: There is such a file already, or it cannot be written; nothing is left half written.
        """
        from cryptography.hazmat.primitives import serialization

        pem = self._private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(passphrase.encode()),
        )
        try:
            fd = os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        except FileExistsError:
            raise MessageError(
                f"{file}: is there already, and a key is never overwritten; move it away, or name another file"
            ) from None
        except OSError as error:
            raise MessageError(f"{file}: cannot be written ({error.strerror}); correct the path") from error
        try:
            with os.fdopen(fd, "wb") as stream:
                os.fchmod(fd, 0o600)  # whatever the umask says
                stream.write(pem)
                stream.flush()
                os.fsync(fd)
        except OSError as error:
            with suppress(OSError):
                file.unlink()
            raise MessageError(f"{file}: cannot be written ({error.strerror}); nothing is left of it") from error


def is_encrypted(file: Path) -> bool:
    """Whether a key file asks for a passphrase.

    Raises:
        MessageError: It cannot be read.
    """
    return b"ENCRYPTED" in _content(file)


def load_key(file: Path, passphrase: str) -> OperatorKey:
    """Read a key from its file.

    Raises:
        MessageError: It cannot be read, the passphrase is wrong, or it holds another kind of key.
    """
    from cryptography.hazmat.primitives import serialization
    from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey

    pem = _content(file)
    if b"PRIVATE KEY" not in pem:
        raise MessageError(f"{file}: holds no private key in PEM form; name the file of 'nightrake operator add'")
    try:
        key = serialization.load_pem_private_key(pem, passphrase.encode() if passphrase else None)
    except TypeError:
        need = "a passphrase is needed" if not passphrase else "it has no passphrase, but one was given"
        raise MessageError(f"{file}: cannot be opened: {need}") from None
    except ValueError:
        raise MessageError(f"{file}: cannot be opened: the passphrase is wrong, or the file is damaged") from None
    if not isinstance(key, Ed25519PrivateKey):
        raise MessageError(f"{file}: holds another kind of key; expected Ed25519, as 'nightrake operator add' makes it")
    return OperatorKey(key)


def _content(file: Path) -> bytes:
    try:
        with file.open("rb") as stream:
            return stream.read(LONGEST_FILE)
    except OSError as error:
        raise MessageError(f"{file}: cannot be read ({error.strerror}); correct the path or its permissions") from error
