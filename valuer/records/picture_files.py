"""A picture of a machine inside a file of records: JPEG in base 64 (RFC 4648), as JSON can carry it."""

import base64
import binascii
from functools import cached_property
from hashlib import sha256
from typing import Literal

from pydantic import Field, model_validator

from valuer.domain.machine import ID_PATTERN
from valuer.domain.record import Record, wrong
from valuer.records.jpeg import NoJpeg, stripped

Shows = Literal["machine", "plate"]
MOST_BYTES = 2_000_000


class PictureFile(Record):
    """A picture of a machine of the file, without the place and time that a camera writes into it."""

    machine: str = Field(pattern=ID_PATTERN, max_length=64, description="id of the machine it shows")
    shows: Shows = Field(description="the machine, or the plate with its numbers")
    jpeg: str = Field(max_length=4 * MOST_BYTES // 3 + 8, description="the JPEG in base 64")

    @model_validator(mode="after")
    def _is_one(self) -> "PictureFile":
        try:
            content = self.content
        except (binascii.Error, ValueError) as error:
            what = str(error) if isinstance(error, NoJpeg) else "expected a JPEG in base 64"
            raise wrong("no_picture", f"{what}; `valuer export` writes one") from None
        if len(content) > MOST_BYTES:
            raise wrong("large_picture", f"expected a picture of 2 MB at most, got {len(content):,} bytes")
        return self

    @cached_property
    def content(self) -> bytes:
        """The JPEG."""
        return stripped(base64.b64decode(self.jpeg, validate=True))

    @property
    def name(self) -> str:
        """Its name in the records, made from its content."""
        return sha256(self.content).hexdigest()[:32]


def picture_file(machine: str, shows: Shows, content: bytes) -> PictureFile:
    """A picture on record as a file carries it; it was looked at when it came."""
    jpeg = base64.b64encode(content).decode("ascii")
    return PictureFile.model_construct(machine=machine, shows=shows, jpeg=jpeg)
