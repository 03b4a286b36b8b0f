"""Coat loci: genotype to coat, parents to pups, and what both say beside photo and answers."""

from coatclass.genetics._agreement import agreement, agreement_text
from coatclass.genetics._bench import NOT_FOR_HAND_STRIPPING, Touch, TouchFinding, bench, touches, update
from coatclass.genetics._breeds import Ancestry, BreedState, breed_state, breeds_with_states
from coatclass.genetics._category import CoatChances, as_worn, coat_chances
from coatclass.genetics._growing_up import CoatPath, CoatStage, growing_up, puppy_coat
from coatclass.genetics._inherit import Genome, mate
from coatclass.genetics._litter import GENERATIONS, Cross, Dog, Generation, Litter, cross, litter, mates, resolve
from coatclass.genetics._loci import LOCI, Allele, Genotype, alleles
from coatclass.genetics._notation import DnaResult, parse_result, parse_results
from coatclass.genetics._phenotype import Reading, TraitChances, Traits, cadieu_phenotype, trait_chances
from coatclass.genetics._pictures import chances_svg, family_svg
from coatclass.genetics._prior import CoatPrior, conflicts, prior, prior_of
from coatclass.genetics._report import (
    CrossReport,
    NamedCross,
    breed_named,
    candidates,
    named_crosses,
    report,
    verdict,
)
from coatclass.genetics._words import chance_words, report_text

__all__ = [
    "GENERATIONS",
    "LOCI",
    "NOT_FOR_HAND_STRIPPING",
    "Allele",
    "Ancestry",
    "BreedState",
    "CoatChances",
    "CoatPath",
    "CoatPrior",
    "CoatStage",
    "Cross",
    "CrossReport",
    "DnaResult",
    "Dog",
    "Generation",
    "Genome",
    "Genotype",
    "Litter",
    "NamedCross",
    "Reading",
    "Touch",
    "TouchFinding",
    "TraitChances",
    "Traits",
    "agreement",
    "agreement_text",
    "alleles",
    "as_worn",
    "bench",
    "breed_named",
    "breed_state",
    "breeds_with_states",
    "cadieu_phenotype",
    "candidates",
    "chance_words",
    "chances_svg",
    "coat_chances",
    "conflicts",
    "cross",
    "family_svg",
    "growing_up",
    "litter",
    "mate",
    "mates",
    "named_crosses",
    "parse_result",
    "parse_results",
    "prior",
    "prior_of",
    "puppy_coat",
    "report",
    "report_text",
    "resolve",
    "touches",
    "trait_chances",
    "update",
    "verdict",
]
