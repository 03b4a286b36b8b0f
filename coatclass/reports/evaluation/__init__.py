"""The evaluation report: every figure with its interval, plots, and the errors one can look at.

``coatclass evaluate DATA.csv`` calls :func:`evaluate_table`; ``python -m training evaluate`` builds its own cases and
calls :func:`build_report` and :func:`write_report`.
"""

from coatclass.reports.evaluation._bootstrap import Figure, binomial_interval, bootstrap
from coatclass.reports.evaluation._cases import COLUMNS, NOT_A_DOG, UNKNOWN, Case, Cases, read_table
from coatclass.reports.evaluation._figures import tables
from coatclass.reports.evaluation._groups import by_confidence
from coatclass.reports.evaluation._look import look_at, with_decisions
from coatclass.reports.evaluation._ready_made import shown_table
from coatclass.reports.evaluation._report import build_report, evaluate_table, write_report
from coatclass.reports.evaluation._robustness import robustness, subset
from coatclass.reports.evaluation._verdicts import mixed_section

__all__ = [
    "COLUMNS",
    "NOT_A_DOG",
    "UNKNOWN",
    "Case",
    "Cases",
    "Figure",
    "binomial_interval",
    "bootstrap",
    "build_report",
    "by_confidence",
    "evaluate_table",
    "look_at",
    "mixed_section",
    "read_table",
    "robustness",
    "shown_table",
    "subset",
    "tables",
    "with_decisions",
    "write_report",
]
