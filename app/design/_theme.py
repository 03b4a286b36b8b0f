"""gradio's own controls in our colours; the style sheet ``app/static/coatclass.css`` does the rest."""

from __future__ import annotations

from typing import Any

FONTS = ["system-ui", "-apple-system", "Segoe UI", "Roboto", "Liberation Sans", "sans-serif"]  # none is fetched
MONO = ["ui-monospace", "Liberation Mono", "monospace"]

# One token of the style sheet for each variable of gradio that shows; light and dark come with the token.
_TOKENS = {
    "body_background_fill": "var(--ground)",
    "body_text_color": "var(--ink)",
    "body_text_color_subdued": "var(--quiet)",
    "background_fill_primary": "var(--sheet)",
    "background_fill_secondary": "var(--ground)",
    "block_background_fill": "var(--sheet)",
    "block_border_color": "var(--line)",
    "block_label_text_color": "var(--ink)",
    "block_title_text_color": "var(--ink)",
    "block_info_text_color": "var(--quiet)",
    "border_color_primary": "var(--line)",
    "border_color_accent": "var(--spruce)",
    "input_background_fill": "var(--field)",
    "input_border_color": "var(--edge)",
    "input_border_color_focus": "var(--spruce)",
    "button_primary_background_fill": "var(--spruce)",
    "button_primary_background_fill_hover": "var(--spruce-deep)",
    "button_primary_text_color": "var(--on-spruce)",
    "button_secondary_background_fill": "var(--sheet)",
    "button_secondary_text_color": "var(--ink)",
    "button_secondary_border_color": "var(--edge)",
    "link_text_color": "var(--link)",
    "checkbox_background_color_selected": "var(--spruce)",
    "checkbox_border_color": "var(--edge)",
    "checkbox_label_background_fill": "var(--field)",
    "checkbox_label_text_color": "var(--ink)",
}


def theme() -> Any:
    """The theme of all pages; asks no other host for anything."""
    import gradio as gr

    values: dict[str, Any] = {}
    known = gr.themes.Base.set.__code__.co_varnames
    for name, token in _TOKENS.items():
        values[name] = token
        if f"{name}_dark" in known:
            values[f"{name}_dark"] = token
    return gr.themes.Base(
        font=FONTS, font_mono=MONO, text_size=gr.themes.sizes.text_lg, radius_size=gr.themes.sizes.radius_md
    ).set(**values)
