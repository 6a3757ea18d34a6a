"""The secret of this installation: what is unpickled must have been signed with it.

A manifest beside a pickle proves nothing against somebody who can write both. A signature does, as long as the
secret is out of his reach: 32 random bytes in the user's data folder, made at first use, for the user's eyes only.
A secret that others could have read or put there is worth nothing; it is refused, and a new one takes its place.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
import secrets
import stat
import tempfile
from collections.abc import Mapping
from pathlib import Path

SIZE = 32  # bytes: as many as the digest of HMAC-SHA-256 (RFC 2104, section 3)


class SecretRefused(Exception):
    """The secret cannot be trusted, or is not there; the message says why."""


class NoSecret(SecretRefused):
    """It is not there."""


def signature(content: Mapping[str, object], secret: bytes) -> str:
    """HMAC-SHA-256 (RFC 2104, FIPS 180-4) of an object's JSON with sorted names; 64 hexadecimal digits."""
    text = json.dumps(content, sort_keys=True, separators=(",", ":")).encode()
    return hmac.new(secret, text, hashlib.sha256).hexdigest()


def is_signature(claimed: object, content: Mapping[str, object], secret: bytes) -> bool:
    """Whether `claimed` is the signature; takes the same time wherever the two differ."""
    return isinstance(claimed, str) and hmac.compare_digest(
        claimed.encode(errors="replace"), signature(content, secret).encode()
    )


def read_secret(path: Path) -> bytes:
    """The secret; raises SecretRefused where it is missing or may be known to others."""
    try:
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
    except FileNotFoundError:
        msg = "this installation has no secret yet"
        raise NoSecret(msg) from None
    except OSError as error:
        msg = f"the secret of this installation cannot be read ({(error.strerror or 'no reason').lower()})"
        raise SecretRefused(msg) from None
    with os.fdopen(handle, "rb") as file:
        _own_alone(os.fstat(handle))
        secret = file.read(SIZE + 1)
    if len(secret) != SIZE:
        msg = f"the secret of this installation is damaged: expected {SIZE} bytes, got {len(secret)}"
        raise SecretRefused(msg)
    return secret


def _own_alone(state: os.stat_result) -> None:
    """Refuse a file that anybody else made, may read or may write."""
    if not stat.S_ISREG(state.st_mode):
        msg = "the secret of this installation is no ordinary file"
        raise SecretRefused(msg)
    if os.name != "posix":  # no such owners and modes elsewhere: the user's folders are closed to others
        return
    if state.st_uid != os.geteuid() or state.st_mode & 0o077:
        mode = stat.S_IMODE(state.st_mode)
        msg = f"the secret of this installation is open to others: expected mode 600 and your own, got mode {mode:o}"
        raise SecretRefused(msg)


def own_secret(path: Path) -> bytes:
    """The secret, made new where there is none to be trusted. What the old one signed is then refused.

    Raises SecretRefused where not even a new one can be trusted: the file system keeps no modes.
    """
    try:
        return read_secret(path)
    except NoSecret:  # nothing to take away: what stands there a moment later is another's, and good
        pass
    except SecretRefused:
        path.unlink(missing_ok=True)  # of a link, the link and not what it points at
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=path.name)  # for the user alone from the start
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(SIZE))
            file.flush()
            os.fsync(handle)
        _first_one_stays(Path(name), path)
    finally:
        Path(name).unlink(missing_ok=True)
    return read_secret(path)


def _first_one_stays(made: Path, path: Path) -> None:
    """Give a whole new secret its name, unless another process was quicker."""
    try:
        path.hardlink_to(made)
    except FileExistsError:
        return
    except OSError:  # a file system without second names, as on a memory stick
        made.replace(path)
