"""The ensemble at run time: photo evidence and answers to calibrated probabilities (numpy only).

It is fitted with scikit-learn by ``python -m training ensemble``; the released members are log-linear, so that their
coefficients travel as a readable JSON file and this room needs nothing but numpy.
"""

from coatclass.ensemble.fusion import HandsOn, combine, one_coat
from coatclass.ensemble.members import Members, load, read_checked

__all__ = ["HandsOn", "Members", "combine", "load", "one_coat", "read_checked"]
