"""The evaluation report: every figure with its interval, plots, and the errors one can look at.

``coatclass evaluate DATA.csv`` calls :func:`evaluate_table`; ``python -m training evaluate`` builds its own cases and
calls :func:`build_report` and :func:`write_report`.
"""

from coatclass.reports.evaluation.breakdowns import by_confidence, drawn, robustness, subset
from coatclass.reports.evaluation.cases import (
    COLUMNS,
    NOT_A_DOG,
    UNKNOWN,
    LabelledPhoto,
    LabelledPhotos,
    is_scored,
    look_at,
    read_scored,
    read_table,
    with_decisions,
)
from coatclass.reports.evaluation.figures import mixed_section, shown_table, tables
from coatclass.reports.evaluation.metrics import Figure, binomial_interval, bootstrap
from coatclass.reports.evaluation.report import (
    PREDICTIONS,
    build_report,
    check_enough,
    evaluate_table,
    opening,
    to_json,
    write_predictions,
    write_report,
)
from coatclass.reports.evaluation.scored import (
    SCORED_COLUMNS,
    column_meanings,
    compare,
    is_table_of_scores,
    report_of_scores,
)

__all__ = [
    "COLUMNS",
    "NOT_A_DOG",
    "PREDICTIONS",
    "SCORED_COLUMNS",
    "UNKNOWN",
    "Figure",
    "LabelledPhoto",
    "LabelledPhotos",
    "binomial_interval",
    "bootstrap",
    "build_report",
    "by_confidence",
    "check_enough",
    "column_meanings",
    "compare",
    "drawn",
    "evaluate_table",
    "is_scored",
    "is_table_of_scores",
    "look_at",
    "mixed_section",
    "opening",
    "read_scored",
    "read_table",
    "report_of_scores",
    "robustness",
    "shown_table",
    "subset",
    "tables",
    "to_json",
    "with_decisions",
    "write_predictions",
    "write_report",
]
