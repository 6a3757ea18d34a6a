"""A certificate of this computer's own, made on the spot: what is said between phone and server stays between them.

Nobody vouches for it, so a browser asks once; whoever compares the fingerprint that was shown with the one the browser
shows knows that nobody stands between.
"""

import ipaddress
import os
import tempfile
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from valuer.paths import data_folder

VALID = timedelta(days=397)  # some browsers refuse more than 398 (from memory)
BACK = timedelta(days=30)  # a phone's clock may stand behind this one's
RENEWED = timedelta(days=30)  # before it ends


@dataclass(frozen=True)
class Certificate:
    """The file that holds certificate and key, and the SHA-256 of the certificate as browsers show it."""

    file: Path
    fingerprint: str


def certificate_file() -> Path:
    """Where certificate and key stand, in one file for its owner only."""
    return data_folder() / "lan_certificate.pem"


def certificate(names: Collection[str], now: datetime) -> Certificate:
    """The certificate for these names and addresses; made where there is none that fits and is in force.

    The same one is used as long as it will do, so that a phone is asked once.
    """
    file = certificate_file()
    kept = _kept(file)
    if kept is None or not _will_do(kept, names, now):
        kept = _made(file, names, now)
    return Certificate(file, kept.fingerprint(hashes.SHA256()).hex(":").upper())


def _kept(file: Path) -> x509.Certificate | None:
    try:
        data = file.read_bytes()
        key = serialization.load_pem_private_key(data, password=None)
        found = x509.load_pem_x509_certificate(data)
    except (OSError, ValueError, TypeError):
        return None
    return found if key.public_key() == found.public_key() else None


def _will_do(kept: x509.Certificate, names: Collection[str], now: datetime) -> bool:
    try:
        said = kept.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return False
    known = {str(each.value) for each in said}
    return set(names) <= known and kept.not_valid_before_utc <= now <= kept.not_valid_after_utc - RENEWED


def _made(file: Path, names: Collection[str], now: datetime) -> x509.Certificate:
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "valuer on this computer")])
    usage = x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - BACK)
        .not_valid_after(now - BACK + VALID)
        .add_extension(
            x509.SubjectAlternativeName([_general(each) for each in sorted(names)]), critical=False
        )
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(usage, critical=False)
        .sign(key, hashes.SHA256())
    )
    secret = key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    )
    _keep(file, made.public_bytes(serialization.Encoding.PEM) + secret)
    return made


def _general(name: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)


def _keep(file: Path, data: bytes) -> None:
    """Write certificate and key whole, for their owner only."""
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}")  # made with mode 600
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
        Path(name).replace(file)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
