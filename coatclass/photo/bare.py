"""Whether a file is a JPEG and nothing else, told from its segments without decoding it (ITU-T T.81, annex B)."""

from __future__ import annotations

import re

__all__ = ["is_bare_jpeg"]

_SOI, _APP0, _SOS, _EOI = b"\xff\xd8", 0xE0, 0xDA, 0xD9
# Tables, frames and scans. All other segments hold what was told of a picture: place, device, remarks, thumbnails.
_OF_THE_PICTURE = {_APP0, _SOS, 0xC0, 0xC1, 0xC2, 0xC4, 0xDB, 0xDD}
_JFIF = b"\x00\x10JFIF\x00"  # its length leaves no room for a thumbnail
_NEXT = re.compile(rb"\xff[^\x00\xd0-\xd7]", re.DOTALL)  # in a scan 0xFF is stuffed, or begins a restart marker


def is_bare_jpeg(data: bytes) -> bool:
    """Whether nothing but one picture is inside: no place, device, remark or profile, and nothing after its end."""
    at = len(_SOI)
    if not data.startswith(_SOI):
        return False
    while data[at : at + 1] == b"\xff" and len(data) >= at + 2:
        kind = data[at + 1]
        if kind == _EOI:
            return len(data) == at + 2
        length = int.from_bytes(data[at + 2 : at + 4], "big")
        if kind not in _OF_THE_PICTURE or length < 2 or (kind == _APP0 and data[at + 2 : at + 9] != _JFIF):
            return False
        at += 2 + length
        if kind == _SOS:
            following = _NEXT.search(data, at)
            at = following.start() if following else len(data)
    return False
