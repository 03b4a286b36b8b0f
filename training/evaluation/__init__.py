"""The evaluation of a release: test photos as cases, generalisation, reference, and the files that README quotes."""

from training.evaluation._reference import measure_reference
from training.evaluation._run import evaluate_release

__all__ = ["evaluate_release", "measure_reference"]
