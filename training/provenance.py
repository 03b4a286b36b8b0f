"""What released files were made from: their digests, and the commit of the code."""

from __future__ import annotations

import hashlib
import subprocess
from pathlib import Path

__all__ = ["commit", "sha256"]


def sha256(path: Path) -> str:
    """The SHA-256 of a file, in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def commit() -> str:
    """The commit that is checked out; ``unknown`` outside a checkout."""
    command = ["git", "rev-parse", "HEAD"]
    found = subprocess.run(command, cwd=Path(__file__).parent, capture_output=True, text=True, check=False)
    return found.stdout.strip() or "unknown"
