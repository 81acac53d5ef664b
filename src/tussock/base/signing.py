"""In: a text and a key. Out: an Ed25519 signature, or whether one holds. Needs the package cryptography.

Ed25519 as in RFC 8032; keys as PEM files (RFC 7468) in the forms PKCS 8 (private) and SubjectPublicKeyInfo (public).
"""

from __future__ import annotations

import base64
import hashlib
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Final

from tussock.base.errors import Fault, InputError, MissingExtraError, MissingInputError, OutputError

ALGORITHM: Final = "Ed25519"
_MAKE: Final = "make one with `tussock make-key FILE`, or `openssl genpkey -algorithm ed25519 -out key.pem`"


def can_sign() -> bool:
    """Tell whether the package cryptography is installed."""
    return find_spec("cryptography") is not None


def _load(name: str) -> Any:
    if not can_sign():
        raise MissingExtraError('signatures need the package cryptography: pip install "tussock[sign]"')
    return import_module(f"cryptography.{name}")


def _serialization() -> Any:
    return _load("hazmat.primitives.serialization")


def _ed25519() -> Any:
    return _load("hazmat.primitives.asymmetric.ed25519")


def make_key(path: Path, passphrase: str | None = None) -> str:
    """Make a private key and write it, readable by its owner only; the public key goes beside it as ``NAME.pub.pem``.

    Parameters
    ----------
    path
        A file that is not there yet.
    passphrase
        Needed to use the key afterwards; None for a key that whoever has the file can use.

    Returns
    -------
    str
        Fingerprint of the key.

    Raises
    ------
    OutputError
        One of the files is there already, or cannot be written.
    MissingExtraError
        The package cryptography is not installed.
    """
    kinds = _serialization()
    public_path = path.with_suffix(".pub.pem")
    for item in (path, public_path):
        if item.exists():
            raise OutputError(f"{item} is there already: a key is never overwritten; name another file")
    key = _ed25519().Ed25519PrivateKey.generate()
    lock = kinds.BestAvailableEncryption(passphrase.encode()) if passphrase else kinds.NoEncryption()
    private = key.private_bytes(kinds.Encoding.PEM, kinds.PrivateFormat.PKCS8, lock)
    public = key.public_key().public_bytes(kinds.Encoding.PEM, kinds.PublicFormat.SubjectPublicKeyInfo)
    try:
        path.touch(mode=0o600, exist_ok=False)
        path.write_bytes(private)
        public_path.write_bytes(public)
    except OSError as error:
        raise OutputError(
            f"{path} cannot be written: {error.strerror or error}; name a folder that is there"
        ) from error
    return find_key_mark(_raw(key.public_key()))


def _raw(public_key: Any) -> bytes:
    kinds = _serialization()
    raw: bytes = public_key.public_bytes(kinds.Encoding.Raw, kinds.PublicFormat.Raw)
    return raw


def find_key_mark(raw: bytes) -> str:
    """Return the fingerprint of a public key: ``SHA256:`` and the first 32 hexadecimal digits of its SHA-256."""
    return f"SHA256:{hashlib.sha256(raw).hexdigest()[:32]}"


def read_private_key(path: Path, passphrase: str | None = None) -> Any:
    """Read a private key.

    Raises
    ------
    InputError
        No such file, not an Ed25519 private key in PEM form, or a passphrase that is missing or wrong.
    MissingExtraError
        The package cryptography is not installed.
    """
    kinds = _serialization()
    data = _read_pem(path)
    try:
        key = kinds.load_pem_private_key(data, None if passphrase is None else passphrase.encode())
    except TypeError as error:
        found = "a key with a passphrase" if passphrase is None else "a passphrase for a key that has none"
        need = "give the passphrase" if passphrase is None else "leave the passphrase out"
        raise InputError(Fault(path.name, "key", found, need)) from error
    except ValueError as error:
        found = "no private key, or another passphrase" if passphrase else "no private key in PEM form"
        raise InputError(Fault(path.name, "key", found, _MAKE)) from error
    except _load("exceptions").UnsupportedAlgorithm as error:
        raise InputError(Fault(path.name, "key", "a key of a kind that is not known", _MAKE)) from error
    if not isinstance(key, _ed25519().Ed25519PrivateKey):
        raise InputError(Fault(path.name, "key", f"a key of another kind than {ALGORITHM}", _MAKE))
    return key


def read_public_key(path: Path) -> bytes:
    """Read a public key (or the public half of a private one without passphrase) as its 32 bytes.

    Raises
    ------
    InputError
        No such file, or not an Ed25519 key in PEM form.
    MissingExtraError
        The package cryptography is not installed.
    """
    kinds = _serialization()
    data = _read_pem(path)
    try:
        key = kinds.load_pem_public_key(data)
    except (ValueError, _load("exceptions").UnsupportedAlgorithm) as error:
        need = "give the public key of the approver, such as approver.pub.pem"
        raise InputError(Fault(path.name, "trusted key", "no public key in PEM form", need)) from error
    if not isinstance(key, _ed25519().Ed25519PublicKey):
        raise InputError(Fault(path.name, "trusted key", f"a key of another kind than {ALGORITHM}", _MAKE))
    return _raw(key)


def _read_pem(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        found = "no such file" if isinstance(error, FileNotFoundError) else str(error.strerror or error)
        raise MissingInputError(Fault(path.name, "key", found, _MAKE)) from error


def sign_text(text: str, key: Any) -> dict[str, str]:
    """Sign a text: algorithm, public key and signature (both base64), fingerprint of the key."""
    raw = _raw(key.public_key())
    return {
        "algorithm": ALGORITHM,
        "key": find_key_mark(raw),
        "public_key": base64.b64encode(raw).decode("ascii"),
        "signature": base64.b64encode(key.sign(text.encode("ascii"))).decode("ascii"),
    }


def find_public_mark(key: Any) -> str:
    """Return the fingerprint of a private key's public half."""
    return find_key_mark(_raw(key.public_key()))


def holds(text: str, signature: bytes, public_key: bytes) -> bool:
    """Tell whether a signature over a text was made with a key.

    Raises
    ------
    MissingExtraError
        The package cryptography is not installed.
    """
    try:
        _ed25519().Ed25519PublicKey.from_public_bytes(public_key).verify(signature, text.encode("ascii"))
    except (_load("exceptions").InvalidSignature, ValueError):
        return False
    return True
