"""Which kind of file this is, by its first bytes; a name can be wrong."""

from __future__ import annotations

# Signatures: JPEG ITU-T T.81 B.1; PNG W3C 2003 5.2; WebP RFC 9649; ISO base media files ISO/IEC 14496-12 4.3.
_PREFIXES = (
    (b"\xff\xd8\xff", "JPEG"),
    (b"\x89PNG\r\n\x1a\n", "PNG"),
    (b"GIF8", "GIF"),
    (b"II*\x00", "TIFF"),
    (b"MM\x00*", "TIFF"),
    (b"BM", "BMP"),
    (b"%PDF", "PDF"),
    (b"\x00\x00\x00\x0cJXL ", "JPEG XL"),
    (b"\xff\x0a", "JPEG XL"),
    (b"PK\x03\x04", "ZIP"),
    (b"<svg", "SVG"),
)
_HEIC_BRANDS = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"hevm", b"hevs", b"mif1", b"msf1"}
_AVIF_BRANDS = {b"avif", b"avis"}

EXTENSIONS = {
    "JPEG": {".jpg", ".jpeg", ".jpe", ".jfif", ".mpo"},
    "PNG": {".png"},
    "WEBP": {".webp"},
    "HEIC": {".heic", ".heif", ".hif"},
}
"""File name endings that go with a kind that can be opened, lower case."""


def kind_of(data: bytes) -> str | None:
    """The kind of file, or None if its beginning is unknown."""
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "WEBP"
    if data[4:8] == b"ftyp":
        brands = {data[8:12], *(data[start : start + 4] for start in range(16, min(len(data), 64), 4))}
        if brands & _AVIF_BRANDS:
            return "AVIF"
        return "HEIC" if brands & _HEIC_BRANDS else "video"
    return next((kind for prefix, kind in _PREFIXES if data.startswith(prefix)), None)
