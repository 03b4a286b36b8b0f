"""From labelled photos to released artefacts, and the evaluation of what was released. Needs the extra ``train``."""

import coatclass  # noqa: F401  # its switches against calls home must be set before any library is imported
