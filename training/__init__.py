"""From labelled photos to released artefacts, and the evaluation of what was released. Needs the extra ``train``."""
