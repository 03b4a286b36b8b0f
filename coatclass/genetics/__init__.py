"""Coat loci: genotype to coat, parents to pups, and what both say beside photo and answers."""

from coatclass.genetics.breed_states import BreedState, breed_state, breeds_with_states
from coatclass.genetics.coat_path import CoatPath, CoatStage, growing_up, puppy_coat
from coatclass.genetics.coat_prior import CoatPrior, conflicts, prior, prior_of
from coatclass.genetics.cross_report import CrossReport, NamedCross, breed_named, named_crosses, report, report_text
from coatclass.genetics.lab_results import DnaResult, parse_result, parse_results
from coatclass.genetics.litters import GENERATIONS, Cross, Generation, Litter, PedigreeDog, cross, litter, resolve
from coatclass.genetics.loci import LOCI, Genome, mate
from coatclass.genetics.phenotype import trait_chances
from coatclass.genetics.touch import (
    NOT_FOR_HAND_STRIPPING,
    RankedTouch,
    Touch,
    outcome_words,
    rank_touches,
    to_feel,
    touch_words,
    touches,
    update,
)

__all__ = [
    "GENERATIONS",
    "LOCI",
    "NOT_FOR_HAND_STRIPPING",
    "BreedState",
    "CoatPath",
    "CoatPrior",
    "CoatStage",
    "Cross",
    "CrossReport",
    "DnaResult",
    "Generation",
    "Genome",
    "Litter",
    "NamedCross",
    "PedigreeDog",
    "RankedTouch",
    "Touch",
    "breed_named",
    "breed_state",
    "breeds_with_states",
    "conflicts",
    "cross",
    "growing_up",
    "litter",
    "mate",
    "named_crosses",
    "outcome_words",
    "parse_result",
    "parse_results",
    "prior",
    "prior_of",
    "puppy_coat",
    "rank_touches",
    "report",
    "report_text",
    "resolve",
    "to_feel",
    "touch_words",
    "touches",
    "trait_chances",
    "update",
]
