"""What people read: one vocabulary, and one folder of texts a language. Nothing else names a zone, coat or tool.

To add a language, copy the folder ``en``, translate its files and keep their keys and placeholders; the folder's name
is the language's code, and it is there at the next start.
"""

from coatclass.words.reading import FOLDER, LANGUAGES, Catalogue, catalogue, languages

__all__ = ["FOLDER", "LANGUAGES", "Catalogue", "catalogue", "languages"]
