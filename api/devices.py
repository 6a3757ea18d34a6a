"""Devices let in from the network: each with a secret and a name of its own, and each can be shut out alone.

The token lets a device in; from then on it carries its own secret, so shutting one out leaves the others. What is kept
of a secret is its hash, as of the token. An invitation is another token that lives a few minutes and lets one in.
"""

import json
import os
import secrets
import tempfile
import threading
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, NamedTuple

from fastapi import APIRouter, Request
from pydantic import BaseModel, ConfigDict, Field

from api.bodies import StrictRoute
from api.door import Door, cookie_of, token_sha256
from api.problems import Refusal
from valuer.clock import now

MINUTES = 10
MOST = 40
MOST_OPEN = 5  # invitations at a time


class Device(NamedTuple):
    """A device that was let in."""

    number: int
    name: str
    sha256: str
    let_in: str


class Devices:
    """Who was let in, kept in a file for its owner only; ``where`` is the address for phones, with its last slash."""

    def __init__(self, file: Path, where: str, clock: Callable[[], datetime] = now) -> None:
        self._file = file
        self._clock = clock
        self._lock = threading.Lock()
        self._invitations: dict[str, datetime] = {}
        self._all = _kept(file)
        self.where = where

    def all(self) -> tuple[Device, ...]:
        """Those let in, the first one first."""
        return self._all

    def knows(self, secret: str | None) -> Device | None:
        """The device that carries this secret; a lookup by hash tells nothing about how much of it was right."""
        found = token_sha256(secret or "")
        return next((each for each in self._all if each.sha256 == found), None)

    def invite(self) -> str:
        """A secret that lets one device in, for some minutes."""
        with self._lock:
            moment = self._clock()
            alive = {kept: until for kept, until in self._invitations.items() if until > moment}
            if len(alive) >= MOST_OPEN:
                alive.pop(min(alive, key=lambda kept: alive[kept]))
            made = secrets.token_urlsafe(32)
            self._invitations = {**alive, token_sha256(made): moment + timedelta(minutes=MINUTES)}
            return made

    def accepts(self, token: str) -> bool:
        """Whether this is an invitation that still holds; it is used up by that."""
        with self._lock:
            until = self._invitations.pop(token_sha256(token), None)
            return until is not None and until > self._clock()

    def let_in(self, name: str) -> str:
        """Keep a device under a name and return its secret; raises Refusal where there are too many."""
        with self._lock:
            if len(self._all) >= MOST:
                raise Refusal(409, f"{MOST} devices are let in, the most there may be; shut one out first")
            secret = secrets.token_urlsafe(32)
            number = max((each.number for each in self._all), default=0) + 1
            device = Device(
                number, name, token_sha256(secret), self._clock().astimezone(UTC).date().isoformat()
            )
            self._keep((*self._all, device))
            return secret

    def shut_out(self, number: int) -> None:
        """Forget a device; raises Refusal where there is none of that number."""
        with self._lock:
            left = tuple(each for each in self._all if each.number != number)
            if len(left) == len(self._all):
                raise Refusal(404, f"no device {number} is let in; read the list again")
            self._keep(left)

    def shut_all_out(self) -> None:
        """Forget every device, as for a new token."""
        with self._lock:
            self._keep(())

    def _keep(self, devices: tuple[Device, ...]) -> None:
        self._file.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
        handle, name = tempfile.mkstemp(
            dir=self._file.parent, prefix=f".{self._file.name}"
        )  # made with mode 600
        try:
            with os.fdopen(handle, "w", encoding="utf-8") as out:
                json.dump([each._asdict() for each in devices], out)
            Path(name).replace(self._file)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
        self._all = devices


def _kept(file: Path) -> tuple[Device, ...]:
    """The devices in a file; one that cannot be read lets nobody in."""
    try:
        return tuple(
            Device(int(each["number"]), str(each["name"]), str(each["sha256"]), str(each["let_in"]))
            for each in json.loads(file.read_text("utf-8"))
        )
    except (OSError, ValueError, TypeError, KeyError):
        return ()


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class DeviceKept(_Answer):
    """A device that was let in."""

    number: int
    name: str
    let_in: str = Field(description="day, UTC")
    this_one: bool = Field(description="whether it is the one that asks")


class DeviceList(_Answer):
    """Who was let in; ``open`` is whether this server answers a network at all."""

    open: bool
    devices: tuple[DeviceKept, ...] = ()


class Invitation(_Answer):
    """An address that lets one device in, and the same as a picture of squares."""

    address: str
    minutes: int = Field(description="how long it holds")
    squares: tuple[str, ...] = Field(description="rows of the code to photograph, 1 dark and 0 light")


CLOSED = Refusal(
    409, "this server answers this computer only; start it with `valuer serve --lan` to let a phone in"
)


def devices(door: Door, responses: Mapping[int | str, dict[str, Any]]) -> APIRouter:
    """The routes of devices: who is let in, another one, one less."""
    closed: dict[int | str, dict[str, Any]] = {
        409: {**responses[422], "description": "This server answers this computer only"}
    }
    router = APIRouter(prefix="/v1", route_class=StrictRoute, responses={**responses, **closed})

    @router.get("/devices")
    def listed(request: Request) -> DeviceList:
        """Which devices were let in."""
        if door.devices is None:
            return DeviceList(open=False)
        here = door.devices.knows(cookie_of(request))
        told = tuple(
            DeviceKept(number=each.number, name=each.name, let_in=each.let_in, this_one=each == here)
            for each in door.devices.all()
        )
        return DeviceList(open=True, devices=told)

    @router.post("/invitations", status_code=201)
    def invite() -> Invitation:
        """An address for one more device, as text and as a code to photograph; it holds some minutes, once."""
        if door.devices is None:
            raise CLOSED
        address = f"{door.devices.where}#/enter/{door.devices.invite()}"
        return Invitation(address=address, minutes=MINUTES, squares=squares(address))

    @router.delete("/devices/{number}", status_code=204)
    def shut_out(number: int) -> None:
        """Shut a device out; the others stay in."""
        if door.devices is None:
            raise CLOSED
        door.devices.shut_out(number)

    return router


def squares(text: str) -> tuple[str, ...]:
    """A text as the rows of a QR code (ISO/IEC 18004), 1 dark and 0 light, without its border."""
    import segno  # noqa: PLC0415 - needed once in a while

    code = segno.make(text, error="m", micro=False)
    return tuple("".join("1" if dark else "0" for dark in row) for row in code.matrix)
