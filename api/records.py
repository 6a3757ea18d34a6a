"""The records over HTTP: machines, sales, what they taught, whether the advice held.

Every entry carries an ETag that counts its changes; a change names it in If-Match and is refused (412) when
somebody else was quicker. A post with an Idempotency-Key is done once, however often it is sent.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from hashlib import sha256
from typing import Annotated, Any, NamedTuple

from fastapi import APIRouter, Header, Query, Response
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from api.bodies import HeavyRoute, StrictRoute
from api.examples import MACHINE, Bodies, examples
from api.problems import FieldProblem, Refusal, pointer
from api.questions import Terms, usual_terms
from valuer.adviser import Adviser
from valuer.clock import now, today
from valuer.domain.bounds import MOST_MONEY
from valuer.domain.machine import Machine
from valuer.domain.record import Record
from valuer.intake.doubts import about_intake, about_sale, about_work
from valuer.learning import NO_RECORDS, CorrectionReport, Memory, OwnRecords, correction_report
from valuer.records import bench
from valuer.records.accuracy import AccuracyReport, accuracy
from valuer.records.entries import Day, FixDone, ListingWeek, MachineEntry, Sale
from valuer.records.store.problems import Changed, Conflict, NotThere, StoreProblem
from valuer.records.store.reading import Kept, Which
from valuer.records.store.store import Post, Store

MOST = 200  # entries on one page

TAKE: Bodies = {"bought for 25": {"machine": MACHINE, "taken_on": "2026-05-01", "paid": 25, "hours": 0.8}}
SELL: Bodies = {"for 160": {"id": "green-1", "price": 160, "sold_on": "2026-05-20", "terms": {"month": 5}}}
TRY: Bodies = {
    "new balance, noise gone": {"fix": "blade_sharpen", "fault": "blade_dull", "cured": True, "hours": 0.4}
}
EXTRA = {
    404: "No such machine or sale on record",
    409: "What is on record does not go with it",
    412: "Somebody else changed it since it was read",
    428: "The change does not say which state it is a change of",
    503: "The records cannot be read or written now",
}

Key = Annotated[
    str | None,
    Header(
        alias="Idempotency-Key", min_length=1, max_length=200, description="own name of this post; done once"
    ),
]
Match = Annotated[str | None, Header(alias="If-Match", description="the ETag that is to be changed")]


Sure = Annotated[
    bool, Field(description="what looks odd was read twice; without it that is asked back (409)")
]


class Taken(Record):
    """A machine taken in."""

    machine: Machine
    taken_on: Day | None = Field(None, description="absent: today")
    paid: float | None = Field(
        None, ge=0, le=MOST_MONEY, description="purchase price and fetching, own money"
    )
    hours: float | None = Field(None, ge=0, le=1_000, description="own hours for fetching and the first look")
    sure: Sure = False


class Tried(Record):
    """A fix that was tried."""

    fix: str
    fault: str
    cured: bool
    done_on: Day | None = Field(None, description="absent: today")
    parts: float | None = None
    hours: float | None = None
    snag: bool | None = None
    note: str | None = None
    sure: Sure = False
    terms: Terms = Field(default_factory=usual_terms)


class Sold(Record):
    """A sale of a machine on the bench."""

    id: str = Field(description="id of the machine")
    price: float
    sold_on: Day | None = Field(None, description="absent: today")
    sold_as: str = "working"
    fees: float | None = None
    hours: float | None = None
    sure: Sure = False
    terms: Terms = Field(default_factory=usual_terms)


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class OnRecord(_Answer):
    """One machine with everything that was done to it; ``version`` is its ETag."""

    version: int
    entry: MachineEntry


class Page(_Answer):
    """Some of the entries, and how many there are."""

    entries: tuple[OnRecord, ...]
    offset: int
    limit: int
    total: int


class Sent(NamedTuple):
    """A change as it came: its key, its path, its body."""

    key: str | None
    path: str
    body: Record


class LiveRecords:
    """The records as the adviser uses them, brought up to date when they have changed."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._own: OwnRecords | None = None
        self._memory = Memory()

    def __call__(self) -> OwnRecords:
        """The records as of now."""
        own = self._own
        try:
            book, day = self._store.book(), today()
        except StoreProblem:  # questions are answered all the same; the records' own routes say what is wrong
            return own or NO_RECORDS
        if own is None or book is not own.book or day != own.today:
            own = self._own = OwnRecords(book, day, self._memory)
        return own


def records(adviser: Adviser, store: Store, problems: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes of the records."""
    common = next(iter(problems.values()))
    answers = dict(problems)
    answers.update({status: common | {"description": words} for status, words in EXTRA.items()})
    router = APIRouter(prefix="/v1", route_class=StrictRoute, responses=answers)
    _machines(router, store)
    _work(router, adviser, store)
    _sales(router, adviser, store)
    lessons = APIRouter(route_class=HeavyRoute)
    _lessons(lessons, adviser, store)
    router.include_router(lessons)
    return router


def _machines(router: APIRouter, store: Store) -> None:
    @router.get("/machines")
    def machines(which: Which = "all", offset: Offset = 0, limit: Limit = 50) -> Page:
        """Machines on record, those on the bench first."""
        return _page(store, which, offset, limit)

    @router.post("/machines", status_code=201, openapi_extra=examples(TAKE))
    def take(taken: Taken, response: Response, key: Key = None) -> OnRecord:
        """Take a machine in."""
        day = taken.taken_on or today()
        odd = about_intake(day, today(), taken.hours, taken.paid, taken.machine.new_price)
        ask_back(odd, sure=taken.sure)
        entry = bench.taken(None, taken.machine, day, taken.paid, taken.hours)
        return _once(
            store, key, "POST /v1/machines", taken, response, lambda post: store.take(entry, now(), post)
        )

    @router.get("/machines/{machine_id}")
    def machine(machine_id: str, response: Response) -> OnRecord:
        """One machine with everything that was done to it."""
        with plainly():
            return _told(store.entry(machine_id), response)

    @router.put("/machines/{machine_id}")
    def measure(
        machine_id: str, measured: Machine, response: Response, match: Match = None, key: Key = None
    ) -> OnRecord:
        """Replace what is known of a machine on the bench: findings, readings, checks."""
        sent = Sent(key, f"PUT /v1/machines/{machine_id}", measured)
        return _changed(
            store,
            machine_id,
            match,
            response,
            lambda entry: bench.taken(entry, measured, entry.taken_on),
            sent,
        )

    @router.put("/machines/{machine_id}/entry")
    def put_back(machine_id: str, entry: MachineEntry, response: Response, match: Match = None) -> OnRecord:
        """Put the whole entry back as it was read before: the last thing written down was a slip."""
        return _changed(store, machine_id, match, response, lambda _: entry)

    @router.delete("/machines/{machine_id}", status_code=204)
    def remove(machine_id: str, match: Match = None) -> None:
        """Remove a machine from the records with all that hangs on it."""
        version = version_of(match)
        with plainly():
            store.remove(machine_id, now(), version)


def _work(router: APIRouter, adviser: Adviser, store: Store) -> None:
    @router.post("/machines/{machine_id}/fixes", status_code=201, openapi_extra=examples(TRY))
    def tried(machine_id: str, told: Tried, response: Response, key: Key = None) -> OnRecord:
        """Write down a fix that was tried; what was cured is off, what was touched is unmeasured."""
        wire = told.model_dump(exclude={"terms", "done_on", "sure"}, exclude_none=True)
        with plainly():
            machine = store.entry(machine_id).entry.machine
            done = FixDone.model_validate({"done_on": told.done_on or today(), **wire})
        odd = about_work(done.done_on, today(), done.hours, done.parts, machine.new_price)
        kept = adviser.promised(machine, told.terms, done)
        path = f"POST /v1/machines/{machine_id}/fixes"
        return _once(
            store,
            key,
            path,
            told,
            response,
            lambda post: store.change(
                machine_id,
                lambda entry: looked_at(bench.tried(entry, kept), odd, sure=told.sure),
                now(),
                post=post,
            ),
        )

    @router.put("/machines/{machine_id}/weeks")
    def offered(
        machine_id: str, week: ListingWeek, response: Response, match: Match = None, key: Key = None
    ) -> OnRecord:
        """Write down a listed week; a second one for the same week replaces it."""
        sent = Sent(key, f"PUT /v1/machines/{machine_id}/weeks", week)
        return _changed(store, machine_id, match, response, lambda entry: bench.offered(entry, week), sent)


def ask_back(odd: Sequence[str], *, sure: bool) -> None:
    """Refuse what looks odd until it is confirmed: 409 with a pointer for each."""
    if odd and not sure:
        wrong = [FieldProblem(pointer=f"/{line.partition(':')[0]}", detail=line) for line in odd]
        raise Refusal(409, "does that look right? Correct it, or send it again with sure: true", wrong)


def looked_at(entry: MachineEntry, odd: Sequence[str], *, sure: bool) -> MachineEntry:
    """The entry as it would be written; what does not go with the records is said before what only looks odd."""
    ask_back(odd, sure=sure)
    return entry


def _sales(router: APIRouter, adviser: Adviser, store: Store) -> None:
    @router.get("/sales")
    def sales(offset: Offset = 0, limit: Limit = 50) -> Page:
        """Machines that were sold, oldest sale first, each with what was predicted that day."""
        return _page(store, "sold", offset, limit)

    @router.post("/sales", status_code=201, openapi_extra=examples(SELL))
    def sell(told: Sold, response: Response, key: Key = None) -> OnRecord:
        """Write down a sale, beside what was predicted before it."""
        with plainly():
            machine = store.entry(told.id).entry.machine
        day = told.sold_on or today()
        wire = told.model_dump(exclude={"id", "terms", "sold_on", "sure"})
        said = adviser.prediction(machine, told.terms.model_copy(update={"month": day.month}))
        with plainly():
            sale = Sale.model_validate({**wire, "sold_on": day, "prediction": said})
        odd = about_sale(sale.price, sale.sold_as, said.amount, day, today(), sale.hours)
        return _once(
            store,
            key,
            "POST /v1/sales",
            told,
            response,
            lambda post: store.change(
                told.id,
                lambda entry: looked_at(bench.sold(entry, sale), odd, sure=told.sure),
                now(),
                post=post,
            ),
        )

    @router.delete("/sales/{machine_id}")
    def unsell(machine_id: str, response: Response, match: Match = None) -> OnRecord:
        """Take a sale back: the machine stands on the bench again."""
        return _changed(store, machine_id, match, response, bench.unsold)


def _lessons(router: APIRouter, adviser: Adviser, store: Store) -> None:
    @router.get("/correction")
    def correction(price_level: Annotated[float, Query(ge=0.001, le=10_000)] = 1.0) -> CorrectionReport:
        """What own sales and tries changed, term by term, and whether that helped."""
        with plainly():
            store.book()  # where it cannot be read that is said, not what is known from before
        return correction_report(adviser.records, adviser.model, price_level)

    @router.get("/accuracy")
    def held(hour_value: Annotated[float, Query(ge=0, le=MOST_MONEY)] = 15.0) -> AccuracyReport:
        """Did the advice hold: sales against predictions, fixes against promises."""
        with plainly():
            return accuracy(store.book().machines, hour_value)


Offset = Annotated[int, Query(ge=0, le=10_000_000, description="entries to leave out before the first")]
Limit = Annotated[int, Query(ge=1, le=MOST, description="entries on the page")]


def _page(store: Store, which: Which, offset: int, limit: int) -> Page:
    with plainly():
        kept, total = store.entries(which, offset, limit), store.count(which)
    entries = tuple(OnRecord(version=each.version, entry=each.entry) for each in kept)
    return Page(entries=entries, offset=offset, limit=limit, total=total)


def _told(kept: Kept, response: Response) -> OnRecord:
    response.headers["ETag"] = f'"{kept.version}"'
    return OnRecord(version=kept.version, entry=kept.entry)


def version_of(match: str | None) -> int:
    """The version that If-Match names."""
    if match is None:
        raise Refusal(428, "expected If-Match with the ETag of what is changed; read it first")
    text = match.strip().removeprefix("W/").strip('"')
    if not (text.isascii() and text.isdecimal() and len(text) <= 9):  # noqa: PLR2004 - more are no count of changes
        raise Refusal(412, f"If-Match: expected an ETag as it was given, got {match[:40]!r}; read it again")
    return int(text)


def _changed(
    store: Store,
    machine_id: str,
    match: str | None,
    response: Response,
    change: Callable[[MachineEntry], MachineEntry],
    sent: Sent | None = None,
) -> OnRecord:
    """Change the entry of a version; sent again under its key, it gets its first answer, whatever came since."""
    version = version_of(match)
    if sent is None or sent.key is None:
        with plainly():
            return _told(store.change(machine_id, change, now(), version), response)
    return _once(
        store,
        sent.key,
        sent.path,
        sent.body,
        response,
        lambda post: store.change(machine_id, change, now(), version, post),
    )


def _once(
    store: Store,
    key: str | None,
    path: str,
    body: Record,
    response: Response,
    do: Callable[[tuple[str, Callable[[Kept], Post]] | None], Kept],
) -> OnRecord:
    """Do a post, or give the answer of the first time it was sent under the same key."""
    request = sha256(f"{path} {body.model_dump_json()}".encode()).hexdigest()
    with plainly():
        earlier = store.answered(key) if key else None
        if earlier is None:
            try:
                return _told(do((key, _answer(request)) if key else None), response)
            except StoreProblem:  # the same post may have come in twice at once; then the other one was done
                earlier = store.answered(key) if key else None
                if earlier is None:
                    raise
    if earlier.request != request:
        raise Refusal(422, "Idempotency-Key: was used for another post; give this one a key of its own")
    response.headers["Answered-Before"] = "true"
    response.headers["ETag"] = f'"{earlier.version}"'
    return OnRecord.model_validate_json(earlier.body)


def _answer(request: str) -> Callable[[Kept], Post]:
    def remembered(kept: Kept) -> Post:
        told = OnRecord(version=kept.version, entry=kept.entry)
        return Post(request, 201, told.model_dump_json(exclude_none=True), kept.version)

    return remembered


@contextmanager
def plainly() -> Iterator[None]:
    """Turn a refusal of the records into one of the API."""
    try:
        yield
    except NotThere as problem:
        raise Refusal(404, str(problem)) from None
    except Conflict as problem:
        raise Refusal(409, str(problem)) from None
    except Changed as problem:
        raise Refusal(412, str(problem)) from None
    except StoreProblem as problem:
        raise Refusal(503, str(problem)) from None
    except ValidationError as error:
        wrong = [
            FieldProblem(pointer=pointer(e["loc"]), detail=e["msg"]) for e in error.errors(include_url=False)
        ]
        raise Refusal(422, f"{len(wrong)} fields are not as expected", wrong) from None
