"""What people read: one vocabulary, and one folder of texts a language. Nothing else names a zone, coat or tool.

To add a language, copy the folder ``en``, translate its files and keep their keys and placeholders; the folder's name
is the language's code, and it is there at the next start. ``language.toml`` says what the language is called and
whether its texts were reviewed; until then pages and sheets say at their foot that they were not.
"""

from coatclass.words.reading import FOLDER, LANGUAGES, Catalogue, Language, about, catalogue, languages
from coatclass.words.translating import all_in_language, in_language, source_in_language

__all__ = [
    "FOLDER",
    "LANGUAGES",
    "Catalogue",
    "Language",
    "about",
    "all_in_language",
    "catalogue",
    "in_language",
    "languages",
    "source_in_language",
]
