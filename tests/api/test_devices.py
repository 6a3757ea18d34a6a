"""Devices from the network: let in by the token or an invitation, told apart, shut out one by one."""

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.devices import MINUTES, MOST, MOST_OPEN, Devices, squares
from api.door import COOKIE, Door, token_sha256
from api.problems import Refusal
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser

TOKEN = "shown-once"  # noqa: S105 - of this test only
HERE = "http://127.0.0.1"


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.moment = NOW

    def __call__(self) -> Any:
        return self.moment


@pytest.fixture
def clock() -> Clock:
    """The moment at which the tests happen."""
    return Clock()


@pytest.fixture
def let_in(tmp_path: Path, clock: Clock) -> Devices:
    """Nobody let in yet."""
    return Devices(tmp_path / "devices.json", "http://192.0.2.7:8321/", clock)


@pytest.fixture
def app(let_in: Devices) -> Any:
    """A server behind a token."""
    return create_app(Adviser(FakeModel()), None, Door(token_sha256=token_sha256(TOKEN), devices=let_in))


def device(app: Any, token: str, name: str = "Phone") -> TestClient:
    made = TestClient(app, HERE)
    assert made.post("/v1/entrance", json={"token": token, "name": name}).status_code == 204
    return made


def test_each_device_carries_a_secret_of_its_own_and_not_the_token(app: Any) -> None:
    one, two = device(app, TOKEN), device(app, TOKEN, "Tablet")
    secrets = {each.cookies[COOKIE] for each in (one, two)}
    assert len(secrets) == 2
    assert TOKEN not in secrets
    listed = one.get("/v1/devices").json()
    assert [(each["name"], each["this_one"]) for each in listed["devices"]] == [
        ("Phone", True),
        ("Tablet", False),
    ]


def test_one_that_is_shut_out_stays_out_and_the_others_stay_in(
    app: Any, let_in: Devices, tmp_path: Path
) -> None:
    one, two = device(app, TOKEN), device(app, TOKEN, "Tablet")
    number = one.get("/v1/devices").json()["devices"][1]["number"]
    assert one.delete(f"/v1/devices/{number}").status_code == 204
    assert two.get("/v1/catalogue").status_code == 401
    assert one.get("/v1/catalogue").status_code == 200
    assert one.delete(f"/v1/devices/{number}").status_code == 404
    again = Devices(tmp_path / "devices.json", let_in.where)  # as after a start of the server
    assert [each.name for each in again.all()] == ["Phone"]
    assert (tmp_path / "devices.json").stat().st_mode & 0o077 == 0
    assert one.cookies[COOKIE] not in (tmp_path / "devices.json").read_text()


def test_an_invitation_lets_one_device_in_for_some_minutes(app: Any, clock: Clock) -> None:
    first = device(app, TOKEN)
    told = first.post("/v1/invitations").json()
    assert told["address"].startswith("http://192.0.2.7:8321/#/enter/")
    invitation = told["address"].rpartition("/")[2]
    device(app, invitation, "second")
    late = TestClient(app, HERE).post("/v1/entrance", json={"token": invitation})
    assert late.status_code == 401, "it lets one in"
    another = first.post("/v1/invitations").json()["address"].rpartition("/")[2]
    clock.moment += timedelta(minutes=MINUTES, seconds=1)
    assert TestClient(app, HERE).post("/v1/entrance", json={"token": another}).status_code == 401


def test_nobody_from_outside_may_invite_list_or_shut_out(app: Any) -> None:
    stranger = TestClient(app, HERE)
    for method, path in (
        ("POST", "/v1/invitations"),
        ("GET", "/v1/devices"),
        ("DELETE", "/v1/devices/1"),
    ):
        assert stranger.request(method, path).status_code == 401


def test_a_server_for_this_computer_only_says_so() -> None:
    here = TestClient(create_app(Adviser(FakeModel())), HERE)
    assert here.get("/v1/devices").json() == {"open": False, "devices": []}
    assert here.post("/v1/invitations").status_code == 409


def test_the_code_has_the_corners_a_camera_looks_for() -> None:
    # ISO/IEC 18004, 5.3.2: a finder pattern of 7 by 7 in three corners, dark ring, light ring, dark 3 by 3.
    rows = squares("http://192.0.2.7:8321/#/enter/abc")
    finder = ("1111111", "1000001", "1011101", "1011101", "1011101", "1000001", "1111111")
    assert tuple(row[:7] for row in rows[:7]) == finder
    assert tuple(row[-7:] for row in rows[:7]) == finder
    assert tuple(row[:7] for row in rows[-7:]) == finder
    assert (len(rows) - 17) % 4 == 0  # version v has 17 + 4 v squares a side, 5.3.1


def test_of_more_invitations_than_may_be_open_the_oldest_goes(let_in: Devices, clock: Clock) -> None:
    made = []
    for _ in range(MOST_OPEN + 1):
        made.append(let_in.invite())
        clock.moment += timedelta(seconds=1)
    assert [let_in.accepts(each) for each in made] == [False] + [True] * MOST_OPEN


def test_there_is_an_end_of_devices_and_a_new_token_forgets_them_all(let_in: Devices, tmp_path: Path) -> None:
    secrets = [let_in.let_in(f"phone {number}") for number in range(MOST)]
    with pytest.raises(Refusal, match=f"{MOST} devices are let in, the most there may be"):
        let_in.let_in("one more")
    assert let_in.knows(secrets[0])
    let_in.shut_all_out()
    again = Devices(tmp_path / "devices.json", "http://192.0.2.7:8321/")
    for each in (let_in, again):
        assert each.all() == ()
        assert not each.knows(secrets[0])


def test_who_was_let_in_stays_when_the_disk_is_full(
    let_in: Devices, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    secret = let_in.let_in("phone")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(OSError, match="No space"):
        let_in.let_in("another")
    assert [each.name for each in let_in.all()] == ["phone"]
    assert let_in.knows(secret)
    assert [each.name for each in tmp_path.iterdir()] == ["devices.json"]


def test_a_server_that_answers_this_computer_only_has_no_device_to_shut_out() -> None:
    client = TestClient(create_app(Adviser(FakeModel()), None), HERE)
    answers = client.delete("/v1/devices/1"), client.post("/v1/invitations")
    assert {answer.status_code for answer in answers} == {409}


def test_every_device_has_a_number_of_its_own_and_a_name(app: Any, let_in: Devices) -> None:
    """Also after one has gone; or shutting one out would shut out another."""
    first = device(app, TOKEN)
    device(app, TOKEN, "Tablet")
    assert TestClient(app, HERE).post("/v1/entrance", json={"token": TOKEN}).status_code == 204
    assert [(each.number, each.name) for each in let_in.all()] == [
        (1, "Phone"),
        (2, "Tablet"),
        (3, "A device"),
    ]
    assert first.delete("/v1/devices/1").status_code == 204
    device(app, TOKEN, "Desk")
    assert [each.number for each in let_in.all()] == [2, 3, 4]
