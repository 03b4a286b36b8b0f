"""How laboratories write results, and what is refused."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from coatclass.errors import GenotypeError
from coatclass.genetics import parse_result, parse_results
from coatclass.genetics.loci import LOCI, alleles, copies, genotype

READ = [
    ("FGF5", "N/N", 0), ("FGF5", "N/L", 1), ("FGF5", "L/N", 1), ("FGF5", "L/L", 2), ("FGF5", "S/S", 0),
    ("FGF5", "S/L", 1),
    ("FGF5", "l/l", 2), ("FGF5", "L/l", 1), ("FGF5", "GG", 0), ("FGF5", "GT", 1), ("FGF5", "T/T", 2),
    ("coat length", "Lh1/Lh2", 2), ("FGF5", "+/-", 1), ("FGF5", "one copy", 1), ("FGF5", "2 copies", 2),
    ("FGF5 c.578C>T", "C/T", 1), ("c.578C>T", "TT", 2), ("FGF5", "L2/N", 1), ("FGF5", "n/l", 1),
    ("furnishings", "F/F", 2), ("furnishings", "N/F", 1), ("furnishings", "N/N", 0), ("RSPO2", "F/IC", 1),
    ("RSPO2", "IC/IC", 0), ("RSPO2", "+/+", 2), ("RSPO2", "-/-", 0), ("RSPO2", "+/−", 1), ("RSPO2", "12", 1),
    ("improper coat", "N/N", 2), ("improper coat", "N/IC", 1), ("improper coat", "IC/IC", 0),
    ("improper coat", "two copies", 0), ("improper coat", "carrier", 1), ("RSPO2", "F|F", 2),
    ("KRT71", "CC", 0), ("KRT71", "CT", 1), ("KRT71", "TT", 2), ("KRT71", "C/T", 1), ("KRT71", "N/C", 1),
    ("KRT71 c.451C>T", "C/C", 0), ("curl", "Cu/Cu", 2), ("curly coat", "C1/C2", 2), ("curl", "0 copies", 0),
    ("MC5R", "N/SD", 1), ("MC5R", "G/A", 1), ("MC5R", "Ala/Thr", 1), ("shedding", "Thr/Thr", 2), ("MC5R", "sh/sh", 0),
    ("single coat", "+/-", 1), ("single coat", "2 copies", 2), ("undercoat", "N/SC", 1), ("single_coat", "clear", 0),
]  # fmt: skip


@pytest.mark.parametrize(("test", "text", "count"), READ)
def test_a_laboratory_result_is_read(test: str, text: str, count: int) -> None:
    locus, pair, _ = parse_result(test, text)
    assert copies(locus, pair) == count


@pytest.mark.parametrize(
    ("test", "text"),
    [("RSPO2", "N/N"), ("KRT71", "C/C"), ("MC5R", "SD/SD"), ("MC5R", "N/N"), ("MC5R", "A/A"), ("FGF5", "+/+"),
     ("single coat", "-/-")],
)  # fmt: skip
def test_a_result_that_laboratories_write_in_opposite_senses_is_asked_back(test: str, text: str) -> None:
    """N is furnished in the improper-coat test and unfurnished in the furnishings test; SD is low or high shedding."""
    with pytest.raises(GenotypeError) as refused:
        parse_result(test, text)
    assert refused.value.code == "ambiguous"
    assert "copies" in refused.value.next_step


@pytest.mark.parametrize("text", ["X/Y", "", "   ", "N/N/N", "maybe", "N", "L/?", "3 copies", "N/\x00"])
def test_an_unreadable_result_says_what_to_write(text: str) -> None:
    with pytest.raises(GenotypeError) as refused:
        parse_result("FGF5", text)
    assert refused.value.code == "unreadable"
    assert "one copy" in refused.value.next_step


@settings(max_examples=300, deadline=None)
@given(st.sampled_from(["FGF5", "furnishings", "KRT71 c.451C>T", "MC5R", "single coat"]), st.text(max_size=12))
def test_any_text_is_either_read_or_refused_plainly(test: str, text: str) -> None:
    try:
        locus, pair, _ = parse_result(test, text)
    except GenotypeError as refused:
        assert refused.problem and refused.next_step
    else:
        assert 0 <= copies(locus, pair) <= 2


def test_a_test_of_no_coat_gene_is_named() -> None:
    with pytest.raises(GenotypeError) as refused:
        parse_result("MDR1", "N/N")
    assert refused.value.code == "unknown_locus"
    assert "FGF5" in refused.value.next_step


def test_two_different_long_alleles_are_put_together_as_long() -> None:
    """Source: Dierks et al. 2013: Samoyeds may be compound heterozygous."""
    result = parse_results({"FGF5 c.284G>T": "G/T", "FGF5 c.578C>T": "C/T"})
    assert result.genotypes["FGF5"] == ("Lh1", "Lh2")


def test_three_changed_copies_are_a_contradiction() -> None:
    with pytest.raises(GenotypeError) as refused:
        parse_results({"FGF5 c.284G>T": "T/T", "FGF5 c.578C>T": "C/T"})
    assert refused.value.code == "contradictory"


def test_a_missing_locus_stays_unknown_and_is_no_error() -> None:
    genome = parse_results({"furnishings": "N/F"}).genome()
    assert len(genome.loci["FGF5"]) == 3
    assert genome.loci["RSPO2"] == {("IC", "F"): 1}


def test_a_test_of_one_variant_notes_that_others_were_not_tested() -> None:
    assert any("only this variant" in note for note in parse_results({"FGF5 c.578C>T": "C/C"}).notes)


@pytest.mark.parametrize("locus", LOCI)
def test_every_pair_of_alleles_survives_being_written_in_the_papers_names(locus: str) -> None:
    for first in alleles(locus):
        for second in alleles(locus):
            assert genotype(locus, first.name, second.name) == genotype(locus, second.name, first.name)
