"""The questionnaire: what to ask, what was answered, and what the answers say about the coat."""

from coatclass.answers._checks import doubts
from coatclass.answers._evidence import evidence, grown_up, weights
from coatclass.answers._likelihood import Answer, likelihood, outcomes
from coatclass.answers._model import Answers, OwnedTool
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

__all__ = [
    "LANGUAGES",
    "Answer",
    "Answers",
    "Choice",
    "OwnedTool",
    "Problem",
    "QuestionSpec",
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
    "simulate",
    "situation",
    "weights",
]
