"""From whatever a file holds to upright 8-bit RGB without metadata."""

from __future__ import annotations

import numpy as np
from PIL import Image

# Cut-out pictures are laid on mid grey: white would swallow a white dog's outline and pass for overexposure,
# black would do the same to a black dog.
_GROUND = (128, 128, 128, 255)
_ORIENTATION = 0x0112  # EXIF 2.32, tag 274


def upright_rgb(image: Image.Image, target_px: int) -> tuple[Image.Image, tuple[int, int]]:
    """Decode a just opened picture, no larger than needed, and turn it upright.

    Args:
        image: opened, not yet decoded.
        target_px: the short side of the result is at least this long, or that of the original.

    Returns:
        The picture (8-bit RGB, no metadata) and the original's upright (width, height), px.
    """
    turned = _orientation(image)
    width, height = image.size
    image.draft("RGB", (target_px, target_px))  # JPEG: decode at 1/2, 1/4 or 1/8; nothing happens for other formats
    image.load()
    rgb = _to_rgb(_reduced(image, target_px))
    if turned in _METHODS:
        rgb = rgb.transpose(_METHODS[turned])
    upright = Image.frombytes("RGB", rgb.size, rgb.tobytes())  # pixels alone, no trace of the file
    return upright, (height, width) if turned >= 5 else (width, height)


def _reduced(image: Image.Image, target_px: int) -> Image.Image:
    """Averaged down by 2, 4 or 8, as ``draft`` does for JPEG, before anything makes copies of it."""
    factor = next((step for step in (8, 4, 2) if min(image.size) >= step * target_px), 1)
    if factor == 1:
        return image
    if image.mode in ("P", "PA", "1"):
        image = image.convert("RGBA" if image.has_transparency_data else "RGB")
    if image.mode.startswith("I"):
        image = _to_rgb(image)
    if image.mode in ("RGB", "L") and image.has_transparency_data:
        image = image.convert("RGBA")
    return image.reduce(factor)


def _orientation(image: Image.Image) -> int:
    """The EXIF orientation, 1-8; 1 if there is none or it can't be read."""
    try:
        value = image.getexif().get(_ORIENTATION, 1)
    except (OSError, SyntaxError, ValueError, TypeError, KeyError, IndexError, OverflowError):
        return 1  # damaged metadata is no reason to refuse the pixels
    return value if value in range(1, 9) else 1


_METHODS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


def _to_rgb(image: Image.Image) -> Image.Image:
    """8-bit RGB: sixteen bits keep their upper eight, see-through pixels show mid grey."""
    if image.mode.startswith("I"):
        levels = np.clip(np.asarray(image, dtype=np.int64), 0, 65535) >> 8
        return Image.fromarray(levels.astype(np.uint8)).convert("RGB")
    if image.has_transparency_data:
        ground = Image.new("RGBA", image.size, _GROUND)
        return Image.alpha_composite(ground, image.convert("RGBA")).convert("RGB")
    return image.convert("RGB")
