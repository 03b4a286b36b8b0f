"""The questionnaire: what to ask, what was answered, and what the answers say about the coat."""

from coatclass.answers._evidence import evidence, grown_up, visible, weights
from coatclass.answers._model import Answers, OwnedTool, doubts
from coatclass.answers._parse import Problem, dump, json_schema, parse, problems
from coatclass.answers._questions import (
    LANGUAGES,
    Choice,
    QuestionSpec,
    drawing,
    drawing_names,
    due,
    in_words,
    question,
    questionnaire_version,
    questions,
)
from coatclass.answers._simulate import simulate
from coatclass.answers._situation import situation
from coatclass.answers.tables import Answer, alone, likelihood, outcomes, reliability, stated

__all__ = [
    "LANGUAGES",
    "Answer",
    "Answers",
    "Choice",
    "OwnedTool",
    "Problem",
    "QuestionSpec",
    "alone",
    "doubts",
    "drawing",
    "drawing_names",
    "due",
    "dump",
    "evidence",
    "grown_up",
    "in_words",
    "json_schema",
    "likelihood",
    "outcomes",
    "parse",
    "problems",
    "question",
    "questionnaire_version",
    "questions",
    "reliability",
    "simulate",
    "situation",
    "stated",
    "visible",
    "weights",
]
