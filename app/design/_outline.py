"""A dog from the side, facing left, with the zones of the taxonomy as areas that can be marked and pressed."""

from __future__ import annotations

from collections.abc import Mapping

from markupsafe import Markup, escape

from coatclass.taxonomy import BodyZone, definition

_BODY = (
    "M30 98 C34 88 52 86 62 80 C68 66 80 54 98 54 C114 54 122 64 132 78 C142 92 156 100 176 102 "
    "C214 106 262 100 296 104 C308 105 316 106 322 108 C334 96 346 74 362 62 C372 56 380 64 374 76 "
    "C364 96 350 114 338 126 C342 144 338 158 334 172 C332 186 342 198 340 212 L338 240 C338 250 330 252 318 252 "
    "L304 252 C298 252 298 244 306 240 L314 234 C314 218 308 206 298 194 C290 186 284 180 276 176 "
    "C246 182 216 184 190 182 C188 202 184 220 184 236 C184 248 180 252 170 252 L154 252 C148 252 148 244 156 240 "
    "L160 234 C160 214 156 198 152 182 C140 174 132 162 126 148 C120 136 112 128 100 124 C84 126 64 124 50 120 "
    "C38 116 28 108 30 98 Z"
)
# Each zone's area; what leaves the body is cut off at its outline, the last ones lie on top.
_AREAS: dict[BodyZone, str] = {
    BodyZone.TRUNK: "M170 96 L300 96 C312 120 300 146 288 156 C250 164 210 164 178 158 C164 140 162 116 170 96 Z",
    BodyZone.NECK: "M112 60 L178 96 C166 112 160 124 152 138 L112 132 C122 110 122 84 112 60 Z",
    BodyZone.CHEST: "M104 126 L154 136 C160 152 166 166 176 186 L146 190 C124 176 110 150 104 126 Z",
    BodyZone.BELLY: "M178 156 C212 166 250 166 284 156 L276 190 L184 190 Z",
    BodyZone.LEGS: "M146 180 L190 178 V236 H146 Z M292 156 C310 150 320 160 318 180 L344 180 V234 H300 Z",
    BodyZone.BREECHES: "M300 112 C318 108 336 118 344 130 C346 152 342 168 340 184 L318 182 C322 156 314 132 300 112 Z",
    BodyZone.FEET: "M140 234 H194 V256 H140 Z M292 234 H348 V256 H292 Z",
    BodyZone.TAIL: "M320 106 C334 92 346 68 366 50 L388 62 C376 92 356 116 338 128 Z",
    BodyZone.FACE: "M24 90 C44 80 58 80 66 72 C76 76 86 90 84 108 L40 112 Z",
    BodyZone.BEARD: "M24 102 C44 106 64 108 84 108 C90 112 92 122 90 130 L44 130 Z",
    BodyZone.SKULL: "M62 80 C70 62 84 50 100 52 L108 76 C96 80 84 84 76 88 Z",
    BodyZone.TOP_KNOT: "M72 66 C78 50 92 46 104 52 C98 60 86 66 72 66 Z",
    BodyZone.EARS: "M94 68 C106 62 118 72 120 92 C120 108 114 118 106 116 C94 108 88 84 94 68 Z",
    BodyZone.HARNESS_PATH: "M176 98 L192 98 C186 124 186 150 194 186 L180 188 C172 152 170 124 176 98 Z",
    BodyZone.BEHIND_EARS: "M118 74 a10 10 0 1 0 20 0 a10 10 0 1 0 -20 0 Z",
    BodyZone.ARMPITS: "M156 174 a11 11 0 1 0 22 0 a11 11 0 1 0 -22 0 Z",
    BodyZone.GROIN: "M274 172 a11 11 0 1 0 22 0 a11 11 0 1 0 -22 0 Z",
}
_FREE = frozenset({BodyZone.TOP_KNOT})  # stands above the outline


def outline(
    levels: Mapping[BodyZone, int], *, title: str, words: Mapping[int, str] | None = None, pressable: bool = False
) -> Markup:
    """The dog with marked zones; levels differ by hatching as well as by colour.

    Args:
        levels: 0 (free) to 4 (worst) by zone; a zone not named is blank.
        title: what a screen reader says; the same facts must stand in words beside the picture.
        words: what each level is called, for the hover text of a zone.
        pressable: zones answer to a press; ``app/static`` turns it into the control with the same ``data-zone``.
    """
    said = words or {}
    areas = []
    for zone, path in _AREAS.items():
        level = levels.get(zone)
        name = definition(zone) + (f": {said[level]}" if level is not None and level in said else "")
        clip = "" if zone in _FREE else ' clip-path="url(#dog-outline)"'
        areas.append(
            f'<g class="zone" data-zone="{zone}" data-level="{"" if level is None else level}"{clip}>'
            f'<title>{escape(name)}</title><path d="{path}"/></g>'
        )
    classes = "picture outline pressable" if pressable else "picture outline"
    return Markup(
        f'<svg class="{classes}" viewBox="10 34 384 228" role="img" aria-label="{escape(title)}">'
        f'<defs><clipPath id="dog-outline"><path d="{_BODY}"/></clipPath>{_hatchings()}</defs>'
        f'<path class="body" d="{_BODY}"/>{"".join(areas)}<path class="contour" d="{_BODY}"/>'
        '<circle class="eye" cx="70" cy="84" r="3"/></svg>'
    )


def _hatchings() -> str:
    """One hatching a level: the worse, the closer the lines."""
    return "".join(
        f'<pattern id="hatch-{level}" width="{gap}" height="{gap}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate(45)"><rect width="{gap}" height="{gap}" class="hatch-ground hatch-{level}"/>'
        f'<line x1="0" x2="0" y1="0" y2="{gap}" class="hatch-line" stroke-width="{weight}"/></pattern>'
        for level, gap, weight in ((1, 14, 1.5), (2, 10, 2.5), (3, 7, 3), (4, 5, 3.5))
    )
