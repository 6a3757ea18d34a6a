"""The way in for a phone: the token from the address is exchanged for a cookie that no script can read."""

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request, Response
from pydantic import Field

from api.bodies import StrictRoute
from api.door import COOKIE, ENTRANCE, WRONG_TOKEN, Door
from api.examples import examples
from valuer.domain.record import Record, Remark

KEPT_DAYS = 180


class Entry(Record):
    """The token that `valuer serve --lan` showed."""

    token: str = Field(min_length=1, max_length=200, description="the token, as it was shown")
    name: Remark | None = Field(
        None, max_length=60, description="what the device is to be called in the list"
    )


class EntranceRoute(StrictRoute):
    """The one route that strangers may send a body to: a token and no more."""

    most_bytes = 4_000
    """A token and a name as long as they may be, every character of them escaped, with room to spare."""


def entrance(door: Door, responses: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes of coming in and leaving."""
    router = APIRouter(route_class=EntranceRoute, responses=dict(responses))

    @router.post(ENTRANCE, status_code=204, openapi_extra=examples({"from the address": {"token": "abc"}}))
    def come_in(entry: Entry, request: Request, response: Response) -> None:
        """Let this device in: its browser keeps the token in a cookie that only goes back to this server."""
        invited = door.devices is not None and door.devices.accepts(entry.token)
        if not invited and not door.opens_to(entry.token):
            raise WRONG_TOKEN
        if door.token_sha256 is not None:
            secret = door.devices.let_in(entry.name or "A device") if door.devices else entry.token
            response.set_cookie(
                COOKIE,
                secret,
                max_age=KEPT_DAYS * 86_400,
                httponly=True,
                samesite="strict",
                secure=request.url.scheme == "https",
            )

    @router.delete(ENTRANCE, status_code=204)
    def leave(response: Response) -> None:
        """Forget the token on this device."""
        response.delete_cookie(COOKIE, httponly=True, samesite="strict")

    return router
