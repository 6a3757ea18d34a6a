"""What `valuer serve --lan` needs: a token, the place of its hash, and the addresses of this computer."""

import json
import os
import secrets
import socket
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from api.door import LOOPBACK, token_sha256
from valuer.clock import now, today
from valuer.paths import data_folder

if TYPE_CHECKING:
    from valuer.cli.certificate import Certificate

OPENS = (
    "Open to the network: every device on it can reach this server, and with the token read and change the records.\n"
    "{tls}\nUse it only on a network of your own; Ctrl-C closes it."
)
SECURED = (
    "TLS with a certificate of this computer's own: the browser asks once, for nobody vouches for it. Go on only if it "
    "shows this fingerprint (SHA-256):\n{fingerprint}"
)
PLAIN = "There is no TLS: who listens on the network reads along, the token too. Without --plain there is."
KEPT = (
    "Devices that were let in stay in. The token was shown when it was made; --new-token makes another and shuts "
    "them out."
)


@dataclass(frozen=True)
class Token:
    """The hash of the token; ``shown`` is the token itself, where it was made just now."""

    sha256: str
    shown: str | None = None


def token_file() -> Path:
    """Where the hash of the token stands."""
    return data_folder() / "lan_token.json"


def devices_file() -> Path:
    """Where it stands who was let in."""
    return data_folder() / "lan_devices.json"


def token(*, renew: bool) -> Token:
    """The token in force; made where there is none, or another is wanted. Raises ClickException."""
    file = token_file()
    if not renew and file.exists():
        return Token(_kept(file))
    made = secrets.token_urlsafe(32)
    _keep(file, token_sha256(made))
    return Token(token_sha256(made), made)


def _kept(file: Path) -> str:
    try:
        found = json.loads(file.read_text("utf-8"))["sha256"]
        if len(bytes.fromhex(found)) == 32:  # noqa: PLR2004 - SHA-256
            return str(found)
    except (OSError, ValueError, TypeError, KeyError):
        pass
    raise click.ClickException(
        f"{file.name}: cannot be read as the hash of a token; --new-token makes another"
    )


def _keep(file: Path, sha256: str) -> None:
    """Write the hash whole, for its owner only."""
    file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    handle, name = tempfile.mkstemp(dir=file.parent, prefix=f".{file.name}")  # made with mode 600
    try:
        with os.fdopen(handle, "w", encoding="utf-8") as out:
            json.dump({"sha256": sha256, "made_on": today().isoformat()}, out)
        Path(name).replace(file)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def names() -> frozenset[str]:
    """The names this computer goes by on its network; the address a request arrives at is one more."""
    host = socket.gethostname().lower()
    return LOOPBACK | {host, f"{host.partition('.')[0]}.local"}


def address() -> str:
    """The address of this computer on its network; its own name where it has none.

    Connecting a datagram socket sends nothing: it only asks which way a packet would go (the address is one of
    RFC 5737, that nobody has).
    """
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("198.51.100.1", 9))
            return str(asked.getsockname()[0])
        except OSError:
            return socket.gethostname()


def secured() -> "Certificate":
    """The certificate for the names and addresses of this computer."""
    from valuer.cli.certificate import certificate

    return certificate({*names(), address()}, now())


def invitation(port: int, kept: Token, secured: "Certificate | None" = None) -> str:
    """What is said once the server stands open: what that means, and the address for the phone.

    The token stands behind #, which a browser never sends anywhere and no log can hold.
    """
    here = f"{'https' if secured else 'http'}://{address()}:{port}/"
    opens = OPENS.format(tls=SECURED.format(fingerprint=secured.fingerprint) if secured else PLAIN)
    if kept.shown is None:
        return f"{opens}\nOn the phone: {here}\n{KEPT}"
    entrance = f"{here}#/enter/{kept.shown}"
    way = f"On the phone, shown this once: {entrance}\n{picture(entrance)}"
    return f"{opens}\n{way}\nFor a program: Authorization: Bearer {kept.shown}"


def picture(entrance: str) -> str:
    """An address as a code to photograph, two rows of squares in a line of text."""
    import segno

    rows = [[bool(dark) for dark in row] for row in segno.make(entrance, micro=False).matrix_iter(border=2)]
    rows += [[False] * len(rows[0])] * (len(rows) % 2)
    # Light squares are drawn, for most terminals are dark.
    blocks = {(False, False): "\u2588", (False, True): "\u2580", (True, False): "\u2584", (True, True): " "}
    pairs = zip(rows[::2], rows[1::2], strict=True)
    return "\n".join(
        "".join(blocks[pair] for pair in zip(above, below, strict=True)) for above, below in pairs
    )
