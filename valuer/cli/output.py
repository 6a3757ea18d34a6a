"""Standard output for answers only: what libraries print by themselves stays out of them."""

import io
import os
import sys


def keep_to_ourselves() -> None:
    """Give our own text the standard output, and whatever else is written to it nowhere to go.

    The integer solver prints a line of its own now and then, which would stand inside a JSON document. With
    VALUER_DEBUG set such lines go to standard error. Nothing happens where standard output was replaced.
    """
    text = sys.__stdout__
    if text is None or sys.stdout is not text or not _is_descriptor(1):
        return
    ours = os.dup(1)
    text.flush()
    elsewhere = os.dup(2) if os.environ.get("VALUER_DEBUG") else os.open(os.devnull, os.O_WRONLY)
    os.dup2(elsewhere, 1)
    os.close(elsewhere)
    sys.stdout = io.TextIOWrapper(
        os.fdopen(ours, "wb"),
        encoding=text.encoding,
        errors=text.errors,
        line_buffering=text.line_buffering,
    )


def write_out(text: str) -> None:
    """Write a text as it stands into a file or a pipe; on a terminal, with what could steer it spelt out."""
    if _is_terminal():
        from valuer.domain.words import printable

        text = "".join(printable(line) + "\n" for line in text.splitlines())
    sys.stdout.write(text)


def _is_terminal() -> bool:
    return sys.stdout.isatty()


def _is_descriptor(number: int) -> bool:
    try:
        return sys.stdout.fileno() == number
    except (OSError, ValueError):
        return False
