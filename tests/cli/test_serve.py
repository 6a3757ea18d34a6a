"""`valuer serve`: loopback only, a port that is free, and one line when it is not."""

import os
import socket
import subprocess
import sys
import tempfile
import threading
import urllib.request
from pathlib import Path

import click
import pytest
import uvicorn

from api.app import create_app
from api.door import Door
from tests.cli.conftest import Run
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.cli.server import demo_records, free_socket, free_sockets, server


def test_a_taken_port_is_refused_in_one_line(run: Run) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        ran = run("serve", "--port", str(port))
    assert ran.code == 2
    what = f"--port: {port} cannot be used (address already in use)"
    assert ran.err == f"valuer: {what}; choose another, or 0 for any free one\n"


def test_a_port_below_nothing_is_refused(run: Run) -> None:
    ran = run("serve", "--port", "-1")
    assert ran.code == 2
    assert ran.err.startswith("valuer: --port: expected a whole number, 0 to 65535, got '-1'")


def test_port_0_is_any_free_port_of_this_computer_only() -> None:
    with free_socket(0) as first, free_socket(0) as second:
        assert first.getsockname()[0] == second.getsockname()[0] == "127.0.0.1"
        assert first.getsockname()[1] != second.getsockname()[1]
        with pytest.raises(click.ClickException):
            free_socket(first.getsockname()[1])


def test_both_kinds_of_loopback_address_answer_on_one_port() -> None:
    bound = free_sockets(0)
    running = server(Adviser(FakeModel()), None, Door(port=bound[0].getsockname()[1]))
    thread = threading.Thread(target=running.run, kwargs={"sockets": list(bound)})
    thread.start()
    try:
        assert [each.getsockname()[0] for each in bound] == ["127.0.0.1", "::1"]
        for host in ("127.0.0.1", "[::1]"):
            where = f"http://{host}:{bound[0].getsockname()[1]}/health"
            with urllib.request.urlopen(where, timeout=20) as answer:
                assert answer.status == 200
    finally:
        running.should_exit = True
        thread.join(timeout=10)
        for each in bound:
            each.close()


def test_a_port_that_another_program_has_on_the_newer_kind_of_address_is_refused() -> None:
    """A browser told `localhost` may try that one first."""
    with free_socket(0, "::1") as taken, pytest.raises(click.ClickException, match="cannot be used"):
        free_sockets(taken.getsockname()[1])


def test_the_socket_is_named_as_tcp_so_that_small_answers_do_not_wait() -> None:
    """Asyncio switches the gathering of small writes off (TCP_NODELAY) only where the protocol is named."""
    with free_socket(0) as bound:
        assert bound.proto == socket.IPPROTO_TCP


def test_the_server_answers_on_its_socket() -> None:
    bound = free_socket(0)
    server = uvicorn.Server(uvicorn.Config(create_app(Adviser(FakeModel())), log_level="warning"))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]})
    thread.start()
    try:
        with urllib.request.urlopen(
            f"http://127.0.0.1:{bound.getsockname()[1]}/health", timeout=10
        ) as answer:
            assert answer.status == 200
    finally:
        server.should_exit = True
        thread.join(timeout=10)
        bound.close()
    assert not thread.is_alive()


def test_the_demo_page_stands_on_ten_machines_that_are_gone_afterwards(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    with demo_records() as store:
        assert store.count() == 10
        assert list(tmp_path.rglob("*.sqlite"))
    assert not list(tmp_path.iterdir())


def test_a_demo_on_records_of_ones_own_is_refused(run: Run) -> None:
    ran = run("serve", "--demo", "--store", "own.sqlite")
    assert ran.code == 2
    assert ran.err.startswith("valuer: --demo: keeps nothing, so no --store goes with it")


STRAY = """
import ctypes, os
import valuer.cli.model, valuer.cli.server
from valuer.cli import main
def run(*_, **__):
    ctypes.CDLL(None).puts(b"a line of the integer solver")
    os.write(1, b"another")
    print("words of our own")
valuer.cli.server.run, valuer.cli.model.load_adviser = run, lambda: None
main(["serve", "--demo", "--port", "0"])
"""


def test_lines_that_a_library_prints_are_not_among_the_servers_words(tmp_path: Path) -> None:
    surroundings = {
        **os.environ,
        "XDG_DATA_HOME": str(tmp_path),
        "PYTHONPATH": ":".join(filter(None, sys.path)),
    }
    surroundings.pop("VALUER_DEBUG", None)
    ran = subprocess.run(
        [sys.executable, "-c", STRAY], capture_output=True, text=True, check=True, env=surroundings
    )
    assert (ran.stdout, ran.stderr) == ("words of our own\n", "")
