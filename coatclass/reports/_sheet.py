"""The home-care sheet: one frozen value made from a care plan, written as HTML or PDF in each language with texts."""

from __future__ import annotations

from dataclasses import dataclass, replace

from coatclass import care, toolkit
from coatclass.contract import Assessment, KitItem
from coatclass.words import catalogue

__all__ = ["Sheet", "in_language", "sheet_html", "sheet_pdf"]


@dataclass(frozen=True)
class Sheet:
    """Everything that a sheet shows.

    Attributes:
        dog_name: as people call it; any characters.
        plan: the care plan; written again in the language of the sheet.
        assessment: what was estimated, for "how sure"; None if the coat was only told.
        breed: breed or parents, as the owner says.
        remarks: the groomer's; empty leaves lines to write on.
    """

    dog_name: str
    plan: care.CarePlan
    assessment: Assessment | None = None
    breed: str = ""
    remarks: str = ""


def sheet_html(sheet: Sheet, language: str = "en") -> str:
    """The sheet as one self-contained HTML page: no script, no other host, readable by screen readers, prints well.

    Raises:
        InputError: for a language without texts.
    """
    from coatclass.reports._sheet_html import write

    return write(in_language(sheet, language))


def sheet_pdf(sheet: Sheet, language: str = "en", paper: str = "A4") -> bytes:
    """The sheet as a PDF file; the same sheet gives the same bytes.

    Args:
        sheet: what to show.
        language: one of :data:`coatclass.words.LANGUAGES`.
        paper: ``A4`` or ``Letter``.

    Raises:
        InputError: for a language without texts or an unknown paper.
    """
    from coatclass.reports._sheet_pdf import write

    return write(in_language(sheet, language), paper)


def in_language(sheet: Sheet, language: str) -> Sheet:
    """The same sheet with kit and plan in another language."""
    catalogue(language)  # refuses a language without texts
    case = sheet.plan.case
    kit = kit_in_language(sheet.plan, language)
    plan = care.plan(
        case.situation,
        kit,
        today=case.today,
        measurements=case.measurements,
        trims=case.trims,
        full_length_mm=case.full_length_mm,
        keeps_growing=case.keeps_growing,
        language=language,
    )
    return replace(sheet, plan=plan)


def kit_in_language(plan: care.CarePlan, language: str) -> tuple[KitItem, ...]:
    """The plan's kit with names and reasons in a language.

    A tool that the recommender would not give this role (a groomer chose otherwise) keeps its reason as it was written.
    """
    recommended = {item.tool: item for item in toolkit.recommend(plan.case.situation, language=language)}
    known = toolkit.catalogue()
    kit = []
    for item in plan.case.kit:
        same = recommended.get(item.tool)
        name = toolkit.tool_name(item.tool, language=language) if item.tool in known else item.name
        why = same.why if same is not None and same.role == item.role else item.why
        kit.append(item.model_copy(update={"name": name, "why": why}))
    return tuple(kit)
