"""`valuer serve --lan`: a token that is shown once and kept as a hash, and what is said about what it opens."""

import http.client
import io
import json
import logging
import re
import ssl
import stat
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from time import monotonic

import click
import pytest

from api.door import Door
from tests.cli.conftest import Run
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli import lan
from valuer.cli.certificate import certificate
from valuer.cli.server import EVERY_INTERFACE, free_sockets, log_as_json, server


@pytest.fixture(autouse=True)
def data(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A data folder of the test's own."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    return tmp_path


def test_a_token_is_256_random_bits_and_only_its_hash_is_kept(data: Path) -> None:
    made = lan.token(renew=False)
    assert made.shown
    assert re.fullmatch("[A-Za-z0-9_-]{43}", made.shown)  # 32 bytes in base64 without padding: 43 signs
    assert made.sha256 == sha256(made.shown.encode()).hexdigest()
    files = [path for path in data.rglob("*") if path.is_file()]
    assert [path.name for path in files] == ["lan_token.json"]
    assert made.shown not in files[0].read_text("utf-8")
    assert stat.S_IMODE(files[0].stat().st_mode) == 0o600
    assert lan.token(renew=True).shown not in {None, made.shown}


def test_it_is_shown_once_and_remembered() -> None:
    made = lan.token(renew=False)
    again = lan.token(renew=False)
    assert (again.sha256, again.shown) == (made.sha256, None)
    assert made.shown
    assert made.shown in lan.invitation(8000, made)
    told = lan.invitation(8000, again)
    assert "#/enter" not in told
    assert "--new-token makes another" in told


@pytest.mark.parametrize("made", [True, False])
def test_what_it_opens_is_said(made: bool) -> None:  # noqa: FBT001
    token = lan.Token("0" * 64, "abc" if made else None)
    plain, secured = lan.invitation(8000, token), lan.invitation(8000, token, lan.secured())
    assert "every device on it can reach this server" in plain
    assert "There is no TLS" in plain
    assert f"http://{lan.address()}:8000/" in plain
    assert f"https://{lan.address()}:8000/" in secured
    assert lan.secured().fingerprint in secured
    assert "no TLS" not in secured


@pytest.mark.parametrize(
    "text", ["", "{}", "[]", '{"sha256": 3}', '{"sha256": "abcd"}', "\x00", '{"sha256": "zz"}']
)
def test_a_hash_that_cannot_be_read_lets_nobody_in(text: str) -> None:
    lan.token_file().parent.mkdir(parents=True)
    lan.token_file().write_text(text)
    with pytest.raises(click.ClickException) as refused:
        lan.token(renew=False)
    assert refused.value.format_message() == (
        "lan_token.json: cannot be read as the hash of a token; --new-token makes another"
    )
    assert lan.token(renew=True).shown


def test_a_new_token_without_a_network_is_refused(run: Run) -> None:
    ran = run("serve", "--new-token")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("valuer: --new-token: is the token of --lan; give both")


Standing = tuple[int, str, io.StringIO, ssl.SSLContext]


@pytest.fixture
def standing(capsys: pytest.CaptureFixture[str]) -> Iterator[Standing]:
    """The real server on every interface: its port, its token, its log, and a caller's trust in its certificate."""
    token, log, secured = lan.token(renew=False), io.StringIO(), lan.secured()
    bound = free_sockets(0, EVERY_INTERFACE)
    port = bound[0].getsockname()[1]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.stderr", log)
        log_as_json()
    running = server(Adviser(FakeModel()), None, Door(lan.names(), port, token.sha256), secured)
    thread = threading.Thread(target=running.run, kwargs={"sockets": list(bound)})
    thread.start()
    assert token.shown
    yield port, token.shown, log, ssl.create_default_context(cafile=secured.file)
    running.should_exit = True
    thread.join(timeout=10)
    for each in bound:
        each.close()
    for name in ("valuer.requests", "uvicorn", "asyncio"):
        logging.getLogger(name).handlers = []
        logging.getLogger(name).propagate = True


def asked(url: str, trust: ssl.SSLContext, **headers: str) -> int:
    request = urllib.request.Request(url, headers={k.replace("_", "-"): v for k, v in headers.items()})
    try:
        with urllib.request.urlopen(request, timeout=20, context=trust) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as refused:
        return refused.code


def test_the_network_gets_in_with_the_token_only(standing: Standing) -> None:
    port, token, log, trust = standing
    here = f"https://{lan.address()}:{port}"
    assert asked(f"{here}/v1/catalogue", trust) == 401
    assert asked(f"{here}/v1/catalogue", trust, Authorization=f"Bearer {token}") == 200
    assert (
        asked(
            f"{here}/v1/catalogue", trust, Authorization=f"Bearer {token}", Host=f"elsewhere.example:{port}"
        )
        == 421
    )
    # A header that a proxy would set is believed from nobody.
    assert (
        asked(f"{here}/v1/catalogue", trust, X_Forwarded_For="127.0.0.1", X_Forwarded_Host="localhost") == 401
    )
    assert asked(f"https://127.0.0.1:{port}/v1/catalogue", trust) == 401
    until = monotonic() + 10  # the last line is written once its answer is out
    while len(log.getvalue().splitlines()) < 5:
        assert monotonic() < until
    written = [json.loads(line) for line in log.getvalue().splitlines()]
    assert [line["status"] for line in written] == [401, 200, 421, 401, 401]
    assert token not in log.getvalue()
    assert lan.address() not in log.getvalue()


def test_without_tls_nothing_is_answered_and_the_certificate_is_the_one_that_was_shown(
    standing: Standing,
) -> None:
    port, *_ = standing
    with pytest.raises((urllib.error.URLError, ConnectionError, http.client.HTTPException)):
        urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=20)
    seen = ssl.PEM_cert_to_DER_cert(ssl.get_server_certificate(("127.0.0.1", port), timeout=20))
    assert lan.secured().fingerprint == sha256(seen).digest().hex(":").upper()


def test_the_certificate_is_kept_for_its_owner_and_made_anew_when_it_no_longer_fits(data: Path) -> None:
    day = datetime(2026, 6, 1, tzinfo=UTC)
    first = certificate({"192.0.2.7", "bench.local"}, day)
    assert stat.S_IMODE(first.file.stat().st_mode) == 0o600
    assert certificate({"192.0.2.7"}, day + timedelta(days=200)) == first, "a phone is asked once"
    assert certificate({"192.0.2.7"}, day - timedelta(days=20)) == first, "a clock that was set back a little"
    moved = certificate({"192.0.2.8"}, day)
    assert moved.fingerprint != first.fingerprint
    ended = certificate({"192.0.2.8"}, day + timedelta(days=360))
    assert ended.fingerprint != moved.fingerprint
    ended.file.write_text("no certificate")
    assert certificate({"192.0.2.8"}, day).fingerprint not in {first.fingerprint, moved.fingerprint}


def test_plain_without_a_network_is_refused(run: Run) -> None:
    ran = run("serve", "--plain")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("valuer: --plain: is for --lan")
