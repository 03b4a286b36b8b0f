"""Run as a script in a process of its own: HEIC on standard input, raw RGB on standard output.

Arguments: memory in bytes, seconds, most pixels, shortest side of the result in px. Imports nothing of coatclass.
Exit code 0 done, 1 damaged, 3 too many pixels.
"""

from __future__ import annotations

import sys
from io import BytesIO


def _limit(memory_bytes: int, seconds: int) -> None:
    """Little memory, little time, and no file can be written; nothing to set on systems without these limits."""
    try:
        import resource
    except ImportError:
        return
    resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
    resource.setrlimit(resource.RLIMIT_CPU, (seconds, seconds))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))


def _main() -> int:
    memory_bytes, seconds, max_pixels, target_px = (int(argument) for argument in sys.argv[1:])
    _limit(memory_bytes, seconds)
    import pi_heif
    from PIL import Image

    pi_heif.register_heif_opener(thumbnails=False)
    data = sys.stdin.buffer.read()
    with Image.open(BytesIO(data), formats=("HEIF",)) as opened:
        width, height = opened.size
        if width * height > max_pixels:
            return 3
        image = opened.convert("RGB")
    factor = next((step for step in (8, 4, 2) if min(image.size) >= step * target_px), 1)
    if factor > 1:
        image = image.reduce(factor)
    sys.stdout.buffer.write(b"%d %d %d %d\n" % (*image.size, width, height))
    sys.stdout.buffer.write(image.tobytes())
    return 0


if __name__ == "__main__":
    try:
        code = _main()
    except Exception:  # however the decoder fails, the caller sees one error
        code = 1
    sys.exit(code)
