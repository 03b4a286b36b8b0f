"""Owners' links and sign-ins are secrets: none of them stands in a log, a trace or an error page."""

from __future__ import annotations

import logging
import re
import sys
import traceback
from typing import Any, TextIO

_log = logging.getLogger("coatclass.app")
# 256 random bits in URL-safe Base64 (RFC 4648): 43 characters, wherever they stand. Digests and ids are hexadecimal.
_TOKEN = re.compile(r"(?<![A-Za-z0-9_-])(?![0-9a-f]{43})[A-Za-z0-9_-]{43}(?![A-Za-z0-9_-])")
_AFTER = re.compile(r"(by-link/|dog=|coatclass_session=)[^\s/?&#;\"'<>]+")
_LOGGERS = ("coatclass.app", "uvicorn", "uvicorn.error", "uvicorn.access", "asyncio", "httpx", "httpx2")


def masked(text: str) -> str:
    """The text without anybody's token."""
    return _TOKEN.sub("[token]", _AFTER.sub(r"\1[token]", text))


class _Masking(logging.Filter):
    """Masks a record before any handler sees it, its trace included."""

    def filter(self, record: logging.LogRecord) -> bool:
        text = record.getMessage()
        if record.exc_info:
            text += "\n" + "".join(traceback.format_exception(*record.exc_info))
        record.msg, record.args, record.exc_info, record.exc_text = masked(text), (), None, None
        return True


def mask_logs() -> None:
    """From now on no log of the web app or its server holds a token."""
    for name in _LOGGERS:
        logger = logging.getLogger(name)
        if not any(isinstance(one, _Masking) for one in logger.filters):
            logger.addFilter(_Masking())


class _MaskedStream:
    """A stream whose lines are masked: some libraries print traces past all logs."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream

    def write(self, text: str) -> int:
        self._stream.write(masked(text))
        return len(text)

    def writelines(self, lines: Any) -> None:
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


def mask_stderr() -> None:
    """From now on nothing that this process prints as an error holds a token."""
    if not isinstance(sys.stderr, _MaskedStream):
        sys.stderr = _MaskedStream(sys.stderr)


def log_unforeseen(what: str, error: BaseException) -> None:
    """Log an error that nobody foresaw, with its trace."""
    _log.error("%s\n%s", masked(what), masked("".join(traceback.format_exception(error))))
