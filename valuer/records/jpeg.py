"""A JPEG without what a camera writes into it beside the picture: place, time, device, a smaller copy.

The segments of a file are those of ITU-T T.81 (ISO/IEC 10918-1), annex B. Kept are the ones that the picture
needs, the header of JFIF (APP0) and the one that says how colours were transformed (APP14); every other APPn
segment, comments, and whatever stands behind the end are left out.
"""

from collections.abc import Iterator

START, END, SCAN = 0xD8, 0xD9, 0xDA
COMMENT = 0xFE
APPLICATION = range(0xE0, 0xF0)
KEPT_APPLICATION = {0xE0, 0xEE}
RESTART = range(0xD0, 0xD8)
MOST_SIDE = 20_000  # pixels; a decoder is not asked for more
FRAMES = {0xC0, 0xC1, 0xC2}


class NoJpeg(ValueError):
    """The bytes are no JPEG that can be kept."""


def stripped(content: bytes) -> bytes:
    """The same picture without anything that says where, when and by what it was taken; raises NoJpeg.

    >>> stripped(b"GIF89a")
    Traceback (most recent call last):
    valuer.records.jpeg.NoJpeg: expected a JPEG picture, got something else
    """
    if content[:2] != bytes((0xFF, START)):
        raise NoJpeg("expected a JPEG picture, got something else")
    kept, frames, scans = [content[:2]], 0, 0
    for kind, segment in _segments(content):
        frames += kind in FRAMES and _sides_fit(segment)
        scans += kind == SCAN
        if kind == END:
            if not frames or not scans:
                break
            return b"".join([*kept, segment])
        if kind != COMMENT and (kind not in APPLICATION or kind in KEPT_APPLICATION):
            kept.append(segment)
    raise NoJpeg("the picture is cut short or damaged; take it again")


def _segments(content: bytes) -> Iterator[tuple[int, bytes]]:
    """Each marker with its segment, a scan together with its coded data."""
    at = 2
    while at + 2 <= len(content):
        if content[at] != 0xFF:  # noqa: PLR2004 - every marker begins so
            return
        kind = content[at + 1]
        if kind == 0xFF:  # noqa: PLR2004 - any number of fill bytes may stand before a marker
            at += 1
            continue
        if kind == END:
            yield kind, content[at : at + 2]
            return
        length = int.from_bytes(content[at + 2 : at + 4], "big")
        end = at + 2 + length
        if length < 2 or end > len(content) or kind in RESTART or kind in {0, 1, START}:  # noqa: PLR2004
            return
        if kind == SCAN:
            end = _end_of_scan(content, end)
        yield kind, content[at:end]
        at = end


def _end_of_scan(content: bytes, at: int) -> int:
    """Where the coded data of a scan end: at the next marker that is neither a stuffed byte nor a restart."""
    while True:
        at = content.find(b"\xff", at)
        if at < 0 or at + 1 >= len(content):
            return len(content)
        if content[at + 1] != 0 and content[at + 1] not in RESTART:
            return at
        at += 2


def _sides_fit(frame: bytes) -> bool:
    height, width = int.from_bytes(frame[5:7], "big"), int.from_bytes(frame[7:9], "big")
    if not (0 < height <= MOST_SIDE and 0 < width <= MOST_SIDE):
        raise NoJpeg(f"expected a picture of up to {MOST_SIDE} pixels a side, got {width} by {height}")
    return True
