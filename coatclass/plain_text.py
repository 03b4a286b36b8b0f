"""Text that people send, made safe to store, print and write into files."""

from __future__ import annotations

import os
import unicodedata

__all__ = ["as_cell", "one_line", "paragraphs", "printable", "reads_as_formula", "shown_path"]

_BREAKS = dict.fromkeys(map(ord, "\n\r\t\v\f\x85\u2028\u2029"), " ")
_BIDI = set("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")  # they make text look different from what it is


def one_line(text: str) -> str:
    """Text for one line: control characters go, line breaks and tabs become spaces.

    Raises:
        ValueError: for lone surrogates, which no file and no database can hold.
    """
    return _bare(text.translate(_BREAKS)) or ("?" if text else "")  # a name is never left empty


def paragraphs(text: str) -> str:
    """Text that may hold line breaks: they become ``\\n``; tabs stay, other control characters go.

    Raises:
        ValueError: for lone surrogates.
    """
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    return "\n".join("\t".join(_bare(part) for part in line.split("\t")) for line in lines)


def _bare(text: str) -> str:
    if text.isascii() and text.isprintable():
        return text
    if any(unicodedata.category(character) == "Cs" for character in text):
        raise ValueError("half of a character (a lone surrogate) can't be kept")
    return "".join(c for c in text if unicodedata.category(c) != "Cc" and c not in _BIDI)


def reads_as_formula(text: str) -> bool:
    """Whether a spreadsheet may take a cell for a formula, also after it has taken spaces away.

    Source: OWASP, CSV Injection (the signs, their full-width forms, tab and line breaks).
    """
    bare = text.lstrip(" \u00a0\u3000")
    return bare[:1] in tuple("=+-@\t\r\n\uff1d\uff0b\uff0d\uff20")


def as_cell(content: object) -> object:
    """What a cell of a table for people holds: text that could be a formula is marked as text."""
    return f"'{content}" if isinstance(content, str) and reads_as_formula(content) else content


def printable(text: str) -> str:
    """Text that can be encoded anywhere: what is no character shows as ``\\xff`` or ``\\ud800``."""
    try:
        return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")
    except UnicodeEncodeError:  # half of a surrogate pair, which stands for no byte
        return text.encode("utf-8", "backslashreplace").decode()


def shown_path(path: str | os.PathLike[str]) -> str:
    """A file's name as it can be printed anywhere; bytes that are no UTF-8 show as ``\\xff``.

    Not readable back; see :func:`coatclass.scoring.written_path` for that.
    """
    text = printable(os.fspath(path))
    return "".join(c if unicodedata.category(c) != "Cc" else repr(c)[1:-1] for c in text)
