"""The bench page: files shipped beside this module, read once and served from memory."""

from collections.abc import Iterator
from hashlib import sha256
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import NamedTuple

from fastapi import APIRouter, Request, Response

from api.problems import WHAT_TO_DO, Refusal

TYPES = {
    "html": "text/html; charset=utf-8",
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "webmanifest": "application/manifest+json",
    "png": "image/png",
}
START = "index.html"
WORKER = "worker.js"


class PageFile(NamedTuple):
    """One file of the page."""

    content: bytes
    media_type: str
    etag: str


def page_files() -> dict[str, PageFile]:
    """The files of the page by their path inside api/page; a file of a kind not in `TYPES` is left out."""
    found = _walk(files("api") / "page", "")
    return {path: _file(path, each.read_bytes()) for path, each in found if _kind(path) in TYPES}


def _walk(folder: Traversable, above: str) -> Iterator[tuple[str, Traversable]]:
    for each in folder.iterdir():
        path = above + each.name
        if each.is_dir():
            yield from _walk(each, f"{path}/")
        else:
            yield path, each


def _kind(path: str) -> str:
    return path.rpartition(".")[2]


def _file(path: str, content: bytes) -> PageFile:
    return PageFile(content, TYPES[_kind(path)], f'"{sha256(content).hexdigest()[:20]}"')


def page() -> APIRouter:
    """The routes of the page: its start at ``/``, its other files under ``/page/``."""
    router, kept = APIRouter(include_in_schema=False), page_files()

    @router.get("/")
    def start(request: Request) -> Response:
        return _answer(request, kept[START])

    @router.get("/page/files.json")
    def names() -> list[str]:
        return [f"/page/{path}" for path in sorted(kept) if path not in {START, WORKER}]

    @router.get("/page/{path:path}")
    def part(request: Request, path: str) -> Response:
        if path not in kept:
            raise Refusal(404, WHAT_TO_DO[404])
        answer = _answer(request, kept[path])
        if path == WORKER:
            answer.headers["Service-Worker-Allowed"] = "/"  # it stands for the start page too
        return answer

    return router


def _answer(request: Request, file: PageFile) -> Response:
    """The file, or 304 where the browser has it already; it asks each time, so an update is seen at once."""
    headers = {"ETag": file.etag, "Cache-Control": "no-cache"}
    if request.headers.get("if-none-match", "").removeprefix("W/") == file.etag:
        return Response(status_code=304, headers=headers)
    return Response(file.content, headers=headers, media_type=file.media_type)
