"""The records as files, over HTTP: out, in, copied, and a copy put back."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Response
from pydantic import BaseModel, ConfigDict, Field

from api.bodies import StrictRoute
from api.examples import Bodies, examples
from api.problems import FieldProblem, Refusal
from api.records import EXTRA, plainly
from valuer.clock import now, today
from valuer.domain.record import Record
from valuer.records import book_files
from valuer.records.files import BadFile
from valuer.records.imports import compared, imported
from valuer.records.store.store import Store, backup_store, restore_store, store_backups

LISTED = 50  # problems of a file named in one answer
IMPORT: Bodies = {
    "a table of one sale": {"name": "sales.csv", "text": "id,drive,sold_on,price\nold-1,push,2026-05-01,90\n"}
}


class Imported(Record):
    """A file to be read into the records."""

    name: str = Field(
        min_length=1, max_length=200, description="its name, to be said where something is wrong in it"
    )
    text: str = Field(max_length=2_000_000, description="what `valuer export` writes, or a table of sales")
    replace: bool = Field(default=False, description="where it differs from the records, take the file's")
    dry_run: bool = Field(default=False, description="say what would change, and change nothing")


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class ImportTold(_Answer):
    """What a file brought, or would bring."""

    new: int
    same: int
    changed: tuple[str, ...] = Field(description="ids on record that the file has otherwise")
    prices_seen: int = Field(description="new prices seen around")
    pictures: int = Field(description="new pictures of machines")
    own_terms: bool | None = Field(
        None, description="whether the file's own terms are taken; absent where it has none, or the same"
    )
    deed: int | None = Field(None, description="number of the deed, by which all of it is taken back at once")
    copy_before: str | None = Field(
        None, description="name of the copy of the records as they were, where it was too much for that"
    )
    read_as: tuple[str, ...] = Field((), description="words that were taken for others, a line each")


class Backups(_Answer):
    """The copies of the records, newest first."""

    backups: tuple[str, ...]


class Restored(_Answer):
    """A copy was put back."""

    kept: str | None = Field(None, description="where what stood in its place is kept")


def record_files(store: Store, problems: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes of the records as files."""
    common = next(iter(problems.values()))
    answers = dict(problems)
    answers.update({status: common | {"description": words} for status, words in EXTRA.items()})
    router = APIRouter(prefix="/v1", route_class=StrictRoute, responses=answers)

    text: dict[int | str, dict[str, Any]] = {
        200: {"content": {"application/json": {}, "text/csv": {}}, "description": "the file"}
    }

    @router.get("/export", response_class=Response, responses=text)
    def export(
        form: Annotated[Literal["json", "csv"], Query(description="form of the file")] = "json",
    ) -> Response:
        """Everything on record as a file that can be read again; pictures and own terms in JSON only."""
        with plainly():
            book = store.everything()
        told, kind = (
            (book_files.as_csv(book), "text/csv")
            if form == "csv"
            else (book_files.as_json(book), "application/json")
        )
        name = f"valuer-records-{today().isoformat()}.{form}"
        return Response(
            told, media_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'}
        )

    @router.post("/import", openapi_extra=examples(IMPORT))
    def read_in(file: Imported) -> ImportTold:
        """Add records from a file, all or nothing; the same file twice adds nothing."""
        read_as: list[str] = []
        try:
            with plainly():
                found = (
                    compared(store, file.name, file.text, read_as.append)
                    if file.dry_run
                    else imported(
                        store, file.name, file.text, now(), replace=file.replace, say=read_as.append
                    )
                )
        except BadFile as bad:
            wrong = [FieldProblem(pointer="/text", detail=str(each)) for each in bad.problems[:LISTED]]
            raise Refusal(
                422, f"{file.name}: cannot be read as records; nothing was changed", wrong
            ) from None
        return ImportTold(
            new=found.added,
            same=found.same,
            changed=tuple(after.id for _, after in found.changed),
            prices_seen=len(found.new_seen),
            pictures=found.new_pictures,
            own_terms=found.own_terms,
            deed=found.deed,
            copy_before=found.copy.name if found.copy else None,
            read_as=tuple(read_as),
        )

    @router.get("/backups")
    def backups() -> Backups:
        """The copies there are."""
        with plainly():
            return Backups(backups=tuple(each.name for each in store_backups(_file_of(store))))

    @router.post("/backups", status_code=201)
    def back_up() -> Backups:
        """Copy the records as they stand, pictures and own terms with them."""
        with plainly():
            made = backup_store(now(), _file_of(store))
        return Backups(backups=(made.name,))

    @router.post("/backups/{name}/restore")
    def restore(name: Annotated[str, Path(max_length=200, description="as the list names it")]) -> Restored:
        """Put a copy in the place of the records; what stood there is kept among the copies."""
        with plainly():
            copy = next((each for each in store_backups(_file_of(store)) if each.name == name), None)
            if copy is None:
                raise Refusal(404, "no copy of that name; read the list of backups again")
            kept = restore_store(copy, now(), _file_of(store))
        return Restored(kept=kept.name if kept else None)

    return router


def _file_of(store: Store) -> str:
    if store.file is None:
        raise Refusal(409, "a database server has its own way of copying (pg_dump); the export works too")
    return str(store.file)
