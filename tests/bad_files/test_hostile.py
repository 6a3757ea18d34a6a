"""Refusing costs less than answering: how much is looked at, and how much is built, whatever comes."""

from __future__ import annotations

import difflib
import tracemalloc
from collections.abc import Callable, Iterator
from itertools import islice
from typing import Any

import pytest
from fastapi.testclient import TestClient

from api.app import create_app
from api.door import Door, token_sha256
from tests.bad_files.hostile import Hostile, hostile_csv, hostile_json
from tests.fake_model import FakeModel
from valuer.adviser import Adviser
from valuer.domain import words
from valuer.records.book_files import book_in
from valuer.records.files import BadFile, machines_in

SIZE = 200_000
ROUTES = ("valuations", "work-lists", "purchase-limits", "repair-quotes")
MOST_COMPARED = 400
"""Words compared with the known ones: forty wrong values, and some more where an object has many wrong names."""
TIMES_ITS_SIZE = 30
"""Bytes held at once for each byte that came: a value of JSON takes some 200, and ten bytes to write at least."""

Compared = list[object]


@pytest.fixture
def compared(monkeypatch: pytest.MonkeyPatch) -> Compared:
    """Every word for which a near one was looked for."""
    seen: Compared = []
    near = difflib.get_close_matches

    def counted(word: str, *args: Any, **more: Any) -> list[str]:
        seen.append(word)
        return near(word, *args, **more)

    monkeypatch.setattr(words, "get_close_matches", counted)
    return seen


@pytest.fixture
def client() -> Iterator[TestClient]:
    """The API, without records."""
    with TestClient(create_app(Adviser(FakeModel())), "http://127.0.0.1") as client:
        yield client


def held(work: Callable[[], Any]) -> float:
    """Peak of what the work holds, in bytes."""
    tracemalloc.start()
    try:
        work()
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.parametrize("seed", range(4))
def test_no_body_costs_more_than_its_refusal_is_worth(
    client: TestClient, compared: Compared, seed: int
) -> None:
    for number, hostile in enumerate(islice(hostile_json(seed, SIZE), 15)):
        path = f"/v1/{ROUTES[number % len(ROUTES)]}"
        compared.clear()
        answers: list[Any] = []

        def ask(path: str = path, hostile: Hostile = hostile, answers: list[Any] = answers) -> None:
            answers.append(
                client.post(path, content=hostile.data, headers={"content-type": "application/json"})
            )

        peak = held(ask)
        assert answers[0].status_code == 422, hostile.name
        assert len(answers[0].content) < 20_000, hostile.name
        assert len(compared) <= MOST_COMPARED, hostile.name
        assert peak < TIMES_ITS_SIZE * SIZE, hostile.name


@pytest.mark.parametrize("seed", range(2))
@pytest.mark.parametrize(("make", "name"), [(hostile_json, "bomb.json"), (hostile_csv, "bomb.csv")])
def test_no_file_costs_more_than_its_refusal_is_worth(
    compared: Compared, make: Callable[[int, int], Iterator[Hostile]], name: str, seed: int
) -> None:
    readers: tuple[Callable[[bytes], object], ...] = (
        lambda data: machines_in(name, data),
        lambda data: book_in(name, data.decode("utf-8", "replace")),
    )
    for hostile in islice(make(seed, SIZE), 10):
        for read in readers:
            compared.clear()

            def refused(read: Callable[[bytes], object] = read, hostile: Hostile = hostile) -> None:
                with pytest.raises(BadFile) as refusal:
                    read(hostile.data)
                assert len(str(refusal.value)) < 10_000, hostile.name

            peak = held(refused)
            assert len(compared) <= MOST_COMPARED, hostile.name
            assert peak < TIMES_ITS_SIZE * SIZE, hostile.name


def test_a_stranger_gets_four_kilobytes_read_and_no_more() -> None:
    door = Door(token_sha256=token_sha256("right"))
    client = TestClient(create_app(Adviser(FakeModel()), None, door), "http://127.0.0.1")
    headers = {"content-type": "application/json"}
    pieces = iter([b" " * 2_400] * 2)  # its length is not announced
    assert client.post("/v1/entrance", content=pieces, headers=headers).status_code == 413
    assert client.post("/v1/entrance", content=b" " * 4_001, headers=headers).status_code == 413
    assert client.post("/v1/entrance", json={"token": "right"}).status_code == 204


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("id\n" + "\n" * 500_000, "more than 500,000 lines; split the file"),
        ("id\n" + '"\n",' * 60_000, "a row of more than 200,000 characters; check the quotes"),
        ("[" + "[]," * 600_000 + "[]]", "holds more than 600,000 values; split it"),
    ],
)
def test_what_goes_on_without_end_is_given_up(text: str, words: str) -> None:
    with pytest.raises(BadFile, match=words):
        machines_in("endless.json" if text.startswith("[") else "endless.csv", text.encode())


def test_every_wrong_machine_is_named_until_enough_and_right_ones_between_them_are_passed(
    client: TestClient,
) -> None:
    ages = [4, -1, 5, -2, 6]
    asked = {
        "machines": [{"id": f"m{n}", "age_years": age} for n, age in enumerate(ages)],
        "terms": {"month": 5},
    }
    answer = client.post("/v1/valuations", json=asked).json()
    assert [error["pointer"] for error in answer["errors"]] == [
        "/machines/1/age_years",
        "/machines/3/age_years",
    ]
