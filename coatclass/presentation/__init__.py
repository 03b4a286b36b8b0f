"""How a plan is shown: what, in which order, in which words. Terminal, page, sheet and calendar render it, no more."""

from coatclass.presentation.blocks import Presentation, Section
from coatclass.presentation.sections import present

__all__ = ["Presentation", "Section", "present"]
