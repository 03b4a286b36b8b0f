"""Large pages of memory for loading the network (Linux): what is computed stays the same, where it lies does not."""

from __future__ import annotations

import ctypes
import sys

_ROOM = 96 << 20  # bytes that the network takes while it is loaded
_LARGE = 2 << 20  # bytes a large page
_LARGEST_PIECE = 32 << 20  # bytes: the most that the library lets lie in the heap
# mallopt(3) of the GNU C library; madvise(2) of Linux
_TRIM_THRESHOLD, _TOP_PAD, _MMAP_THRESHOLD, _ARENA_MAX = -1, -2, -3, -8
_MADV_HUGEPAGE = 14


def large_pages() -> int:
    """Let what is allocated next lie in large pages; for a short process, before it has threads.

    While the network is loaded its weights are unpacked and laid out anew: 85 MB that the kernel would give in pages of
    4 kB, one by one, which takes as long as the loading itself. So the heap grows once, and large pages are asked for.

    Returns:
        The bytes that were granted; 0 where system or C library have none, or other threads hold the heap.
    """
    if not sys.platform.startswith("linux"):
        return 0
    try:
        library = ctypes.CDLL(None)
        mallopt, sbrk, madvise = library.mallopt, library.sbrk, library.madvise
    except (OSError, AttributeError):  # another C library
        return 0
    sbrk.restype = ctypes.c_void_p
    madvise.argtypes = ctypes.c_void_p, ctypes.c_size_t, ctypes.c_int
    for what, value in ((_ARENA_MAX, 1), (_MMAP_THRESHOLD, _LARGEST_PIECE), (_TRIM_THRESHOLD, 2 * _ROOM)):
        mallopt(what, value)
    mallopt(_TOP_PAD, _ROOM)
    before = sbrk(0)
    ctypes.create_string_buffer(_LARGEST_PIECE // 2)  # makes the heap grow, by the padding too; given back at once
    after = sbrk(0)
    mallopt(_TOP_PAD, 1 << 17)  # as it was
    start = -(-before // _LARGE) * _LARGE
    size = max(0, (after - start) // _LARGE * _LARGE)
    return size if size and madvise(start, size, _MADV_HUGEPAGE) == 0 else 0
