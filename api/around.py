"""What stands around the records: the shop's own terms, pictures of machines, another name, taking deeds back."""

from collections.abc import Mapping
from datetime import timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Path, Query, Request, Response
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool

from api.bodies import StrictRoute, bounded_bytes
from api.examples import Bodies, examples
from api.problems import Refusal
from api.records import EXTRA, Match, OnRecord, plainly, version_of
from valuer.clock import now
from valuer.domain.machine import ID_PATTERN
from valuer.domain.record import Record
from valuer.records.deeds import DeedDone, Deeds, told
from valuer.records.jpeg import NoJpeg, stripped
from valuer.records.own_terms import OwnTerms
from valuer.records.picture_files import Shows
from valuer.records.store.beside import KEPT_DAYS, Picture
from valuer.records.store.store import Store

JPEG = "image/jpeg"
TERMS: Bodies = {
    "an hour is worth 18": {
        "terms": {"hour_value": 18, "currency": "EUR"},
        "words": "british",
        "theme": "dark",
    }
}
NAME: Bodies = {"as it hangs on the handle": {"id": "green-2"}}


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class OwnTermsKept(_Answer):
    """Own terms; ``version`` is their ETag."""

    version: int
    own: OwnTerms


class PictureKept(_Answer):
    """A picture of a machine."""

    name: str
    shows: Shows
    size: int = Field(description="bytes")


class Pictures(_Answer):
    """The pictures of a machine, in the order they were taken."""

    pictures: tuple[PictureKept, ...]


class NewName(Record):
    """Another id for a machine."""

    id: str = Field(pattern=ID_PATTERN, max_length=64, description="letters, digits, dot, _ and -")


class TakenBack(_Answer):
    """Deeds that were taken back; ``entry`` is absent where the machine was taken in by it, or they are several."""

    version: int | None = Field(None, description="its version now, as for its ETag")
    entry: OnRecord | None = Field(None, description="the machine as it stands now")
    deeds: tuple[DeedDone, ...] = Field(description="what was taken back, the newest first")


def around(store: Store, problems: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes around the records."""
    common = next(iter(problems.values()))
    answers = dict(problems)
    answers.update({status: common | {"description": words} for status, words in EXTRA.items()})
    router = APIRouter(prefix="/v1", route_class=StrictRoute, responses=answers)
    _terms(router, store)
    _names(router, store)
    _pictures(router, store)
    _deeds(router, store)
    return router


def _terms(router: APIRouter, store: Store) -> None:
    @router.get("/own-terms")
    def own_terms(response: Response) -> OwnTermsKept:
        """The shop's own terms."""
        with plainly():
            kept = store.own_terms()
            own = OwnTerms.model_validate(kept.document)
        response.headers["ETag"] = f'"{kept.version}"'
        return OwnTermsKept(version=kept.version, own=own)

    @router.put("/own-terms", openapi_extra=examples(TERMS))
    def keep(own: OwnTerms, response: Response, match: Match = None) -> OwnTermsKept:
        """Keep other terms; If-Match names the version they take the place of, 0 where there was none."""
        version = version_of(match)
        with plainly():
            kept = store.keep_terms(own.model_dump(exclude_defaults=True), version, now())
        response.headers["ETag"] = f'"{kept.version}"'
        return OwnTermsKept(version=kept.version, own=own)


def _names(router: APIRouter, store: Store) -> None:
    @router.post("/machines/{machine_id}/name", openapi_extra=examples(NAME))
    def rename(machine_id: str, name: NewName, response: Response, match: Match = None) -> OnRecord:
        """Give a machine another id; everything that hangs on it goes with it."""
        version = version_of(match)
        with plainly():
            kept = store.rename(machine_id, name.id, now(), version)
        response.headers["ETag"] = f'"{kept.version}"'
        return OnRecord(version=kept.version, entry=kept.entry)


def _pictures(router: APIRouter, store: Store) -> None:
    body = {
        "requestBody": {
            "required": True,
            "content": {JPEG: {"schema": {"type": "string", "format": "binary"}}},
        }
    }

    @router.get("/machines/{machine_id}/pictures")
    def pictures(machine_id: str) -> Pictures:
        """The pictures of a machine."""
        with plainly():
            return Pictures(pictures=tuple(_told(each) for each in store.pictures(machine_id)))

    @router.post("/machines/{machine_id}/pictures", status_code=201, openapi_extra=body)
    async def add(
        machine_id: str,
        request: Request,
        shows: Annotated[Shows, Query(description="the machine, or the plate with its numbers")] = "machine",
    ) -> PictureKept:
        """Keep a picture, without the place and time that a camera writes into it; the same one twice is one."""
        if request.headers.get("content-type", "").partition(";")[0].strip().lower() != JPEG:
            raise Refusal(415, "a picture must be JPEG; send it with Content-Type: image/jpeg")
        content = await bounded_bytes(request, smaller="make the picture smaller")
        return await run_in_threadpool(_kept, store, machine_id, shows, content)

    @router.get(
        "/machines/{machine_id}/pictures/{name}",
        response_class=Response,
        responses={200: {"content": {JPEG: {}}}},
    )
    def picture(machine_id: str, name: Name) -> Response:
        """One picture."""
        with plainly():
            media_type, content = store.picture(machine_id, name)
        # Its name is made from its content, so what is behind it never changes.
        headers = {"Cache-Control": "private, max-age=31536000, immutable"}
        return Response(content, media_type=media_type, headers=headers)

    @router.delete("/machines/{machine_id}/pictures/{name}", status_code=204)
    def drop(machine_id: str, name: Name) -> None:
        """Take a picture away."""
        with plainly():
            store.drop_picture(machine_id, name)


Name = Annotated[
    str, Path(pattern="^[0-9a-f]{32}$", description="name of the picture, made from its content")
]


def _kept(store: Store, machine_id: str, shows: Shows, content: bytes) -> PictureKept:
    try:
        plain = stripped(content)
    except NoJpeg as problem:
        raise Refusal(422, str(problem)) from None
    with plainly():
        return _told(store.keep_picture(machine_id, shows, JPEG, plain, now()))


def _told(picture: Picture) -> PictureKept:
    return PictureKept.model_validate({"name": picture.name, "shows": picture.shows, "size": picture.size})


def _deeds(router: APIRouter, store: Store) -> None:
    @router.get("/deeds")
    def deeds(
        days: Annotated[int, Query(ge=0, le=KEPT_DAYS, description="days before today to begin with")] = 0,
    ) -> Deeds:
        """What was written down today, and some days before, the newest first; each can be taken back."""
        midnight = now().astimezone().replace(hour=0, minute=0, second=0, microsecond=0)
        with plainly():
            return Deeds(deeds=told(store.deeds(midnight - timedelta(days=days))))

    @router.post("/deeds/{number}/undo")
    def undo(
        number: Annotated[int, Path(ge=1, le=2_147_483_647, description="number of the deed")],
        *,
        at_once: Annotated[
            bool, Query(description="take back all that was done at once with it too, an import say")
        ] = False,
    ) -> TakenBack:
        """Take a deed back, unless the machine was changed after it."""
        with plainly():
            if at_once:
                return TakenBack(deeds=told(store.undo_at_once(number, now())))
            kept = store.undo(number, now())
            (done,) = told([store.deed(number)])
        if kept is None:
            return TakenBack(deeds=(done,))
        return TakenBack(
            version=kept.version, entry=OnRecord(version=kept.version, entry=kept.entry), deeds=(done,)
        )
