"""The owner's pages at ordinary addresses, ``/owner/STEP?dog=TOKEN``; reads the records and changes nothing."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from starlette.datastructures import UploadFile

from app.design import address
from app.design import render as render_page
from app.errors import page_or_problem
from app.language import spoken, words
from app.owner import dog as owners
from app.owner import flow
from coatclass import answers as questionnaire
from coatclass.care import RISK_ZONES
from coatclass.contract import PhotoReport
from coatclass.errors import PhotoError, RecordError
from coatclass.measure import CARD_MM
from coatclass.presentation import Presentation
from coatclass.presentation.abridged import in_short
from coatclass.taxonomy import BodyZone, MatState
from coatclass.triage import zones_of

_ASKED: Mapping[str, tuple[BodyZone, ...]] = {
    "mats": (BodyZone.TRUNK, *RISK_ZONES, BodyZone.LEGS),
    "skin_where": tuple(zone for zone in BodyZone if zone is not BodyZone.HARNESS_PATH),
}


# (unit, how many of the questionnaire's unit one of it is): inch and pound by the international yard and pound
# agreement of 1959; a month is a twelfth of 365.25 days.
_UNITS: Mapping[str, tuple[tuple[str, float], ...]] = {
    "mm": (("mm", 1), ("cm", 10), ("in", 25.4)),
    "months": (("months", 1), ("weeks", 7 * 12 / 365.25), ("years", 12)),
    "weeks": (("weeks", 1), ("months", 365.25 / 12 / 7)),
    "kg": (("kg", 1), ("lb", 0.45359237)),
}


_PASSED_S = 60 * 24 * 3600  # as long as the page's script keeps it
_Refused = tuple[str, PhotoReport]  # a photo's name, and what is wrong with it
_Said = Mapping[str, list[str]]  # what stands in a form, by the names of its fields


@dataclass(frozen=True)
class OwnerRequest:
    """What a page asks for.

    Attributes:
        token: of the owner's link, as it was sent; empty before the start.
        step: ``photos``, ``q/<card>``, ``measure``, ``result``, ``next`` (what is due) or empty (where one left off).
        skipped: questions that were passed in this browser.
        after: the screen that was just left, so that its open questions count as passed.
    """

    token: str = ""
    step: str = ""
    skipped: frozenset[str] = frozenset()

    @classmethod
    def read(cls, token: str, step: str, cookies: Mapping[str, str]) -> OwnerRequest:
        """From an address and the cookies that come with it; whatever is not what it should be counts as not sent."""
        known = {spec.id for spec in questionnaire.questions()}
        skipped = cookies.get(_passed_cookie(token), "").split(".")
        return cls(token=token, step=step if len(step) < 60 else "", skipped=frozenset(known.intersection(skipped)))


def _passed_cookie(token: str) -> str:
    """Name of the cookie that holds the questions passed in a browser, by dog: ids with dots between."""
    return f"coatclass_passed_{token[:12]}"


def render(template: str, asked: OwnerRequest, **values: Any) -> str:
    """A view of the owner's side."""
    return render_page(template, side="owner", asked=asked, token=asked.token, **values)


def _view(state: Any, asked: OwnerRequest) -> str:
    """HTML of the step that is asked for.

    Raises:
        RecordError: if the link leads nowhere, or there is no such step.
        ModelFilesError: if the model files are missing.
    """
    if not asked.token:
        return render("welcome.html", asked)
    of = owners.find(state.records, asked.token)
    name, _, rest = asked.step.partition("/")
    return _STEPS[name](state, asked, of, rest)


def _is_there(step: str) -> bool:
    """Whether there is such a step for a dog."""
    name, _, rest = step.partition("/")
    return name in _STEPS and (name != "q" or flow.card(rest) is not None)


def _problem(asked: OwnerRequest, what: str, next_step: str, *, again: bool = False) -> str:
    """What went wrong, and the way back to the dog; without one to the start."""
    name, _, _ = asked.step.partition("/")
    step = asked.step if _is_there(asked.step) else _AFTER.get(name, "")
    back = address("owner", step, asked.token)
    return render("problem.html", asked, problem=what, next_step=next_step, back=back, again=again)


def _due(state: Any, asked: OwnerRequest) -> str:
    """The step at which the owner is to go on.

    Raises:
        RecordError: if the link leads nowhere.
    """
    of = owners.find(state.records, asked.token)
    nothing_yet = not of.photos and of.answers == questionnaire.Answers()
    if asked.step == "" and nothing_yet:
        return "photos"
    card = flow.next_card(of.answers, asked.skipped, owners.assessed(state, of, asked.skipped))
    return "result" if card is None else f"q/{card.id}"


def _photos(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str, refused: Sequence[_Refused] = ()) -> str:
    photos = list(zip(of.photos, state.looks.reports(state.records, of.photos), strict=True))
    most = int(state.settings.limits["upload"]["photos_per_dog"])
    return render("photos.html", asked, of=of, photos=photos, most=most, refused=refused)


def _question(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str) -> str:
    card = flow.card(rest)
    assert card is not None  # _is_there
    assessment = owners.assessed(state, of, asked.skipped)
    return render(
        "card.html",
        asked,
        of=of,
        card=card,
        specs=card.specs(spoken()),
        answers=_given(of),
        shown=_shown_on(card, of),
        progress=flow.progress(of.answers, asked.skipped, assessment),
        ready=assessment.category is not None,
        zones=_zones(of, assessment),
        levels=_levels(),
        kinds=_tool_kinds() if "owned_tools" in card.questions else (),
        units=_UNITS,
        breeds=breed_names() if "breed" in card.questions else (),
    )


def _shown_on(card: flow.Card, of: owners.OwnersDog) -> dict[str, Any]:
    """The answers that a card shows; its form brings them along, so that only what was changed on it is kept."""
    return {name: said for name, said in _given(of).items() if name in card.questions and said is not None}


def _levels() -> dict[str, int]:
    """How dark a zone is drawn for what was found there."""
    trouble = [str(choice.value) for choice in questionnaire.question("skin_where").choices]
    return {state.value: state.severity for state in MatState} | dict.fromkeys(trouble, 4)


def _zones(of: owners.OwnersDog, assessment: Any) -> dict[str, list[tuple[BodyZone, str]]]:
    """The places that a question asks for, of those that this dog has."""
    at = owners.situation(of, assessment)
    having = zones_of(at) if at else tuple(BodyZone)
    return {
        question: [(zone, words().title(words().zone(zone, long=True))) for zone in zones if zone in having]
        for question, zones in _ASKED.items()
    }


def _given(of: owners.OwnersDog) -> dict[str, Any]:
    """The answers as the controls take them: of a tool only what was said."""
    given = of.answers.model_dump(mode="json")
    tools = given["owned_tools"] or ()
    given["owned_tools"] = [{part: said for part, said in one.items() if said not in (None, False)} for one in tools]
    return given


def breed_names() -> list[str]:
    """Every breed and cross of the table as the reader calls it, for suggestions."""
    from coatclass.breeds import name_of, table

    return sorted(name_of(breed, spoken()) for breed in table())


def _tool_kinds() -> list[dict[str, str]]:
    """Every tool with what to recognise it by, and its drawing."""
    from coatclass import toolkit

    return [
        {
            "name": words().tool(one),
            "features": toolkit.describe(one, language=spoken()),
            "drawing": toolkit.drawing(one, language=spoken(), described=False),
        }
        for one in toolkit.catalogue()
    ]


def _measure(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str) -> str:
    return render("measure.html", asked, of=of)


def _result(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str) -> str:
    assessment = owners.assessed(state, of, asked.skipped)
    owners.keep_assessment(state.records, state.looks, of, assessment)
    plan: Presentation = owners.presented(of, assessment, language=spoken())
    return render(
        "result.html",
        asked,
        of=of,
        plan=plan,
        short=in_short(plan),
        assessment=assessment,
        photos=of.photos,
        wishes=flow.wishes(),
        days=int(state.settings.limits["link"]["days"]),
        unread=_unread(of.answers.breed or ""),
    )


def _unread(breed: str) -> str:
    """What to say of a breed that nobody knows here; its name alone would look as if it counted."""
    from coatclass import breeds

    return "" if not breed or breeds.find(breed).known else breeds.how_read(breed, spoken())


def _shop(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str) -> str:
    plan = owners.presented(of, owners.assessed(state, of, asked.skipped), language=spoken())
    return render("shop.html", asked, of=of, card=plan.shop, card_mm=CARD_MM)


def _tool(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str) -> str:
    return render("tool.html", asked, of=of, kinds=_families())


def _families() -> list[dict[str, str]]:
    """One drawing for each kind of tool and each kind of tip, to be tapped."""
    from coatclass import toolkit

    say = words()
    groups: dict[tuple[str, str | None], list[str]] = {}
    for tool in toolkit.catalogue().values():
        tip = tool.specification.tip if tool.family in ("slicker", "pin_brush") else None
        groups.setdefault((tool.family, tip), []).append(tool.id)
    return [
        {
            "kind": say.tool(tools[0]) if len(tools) == 1 else family,  # a drawing of one tool leaves nothing open
            "tip": tip or "",
            "name": say.say(f"owner.tool.kinds.{family}{f'_{tip}' if tip else ''}"),
            "drawing": toolkit.drawing(tools[0], described=False),
        }
        for (family, tip), tools in groups.items()
    ]


def _delete(state: Any, asked: OwnerRequest, of: owners.OwnersDog, rest: str) -> str:
    return render("erase.html", asked, of=of)


_STEPS: dict[str, Callable[[Any, OwnerRequest, owners.OwnersDog, str], str]] = {
    "photos": _photos,
    "q": _question,
    "measure": _measure,
    "shop": _shop,
    "tool": _tool,
    "result": _result,
    "delete": _delete,
}
# What is done by a form of its own, and the step that shows what became of it.
_AFTER: Mapping[str, str] = {"remove": "photos", "take-back": "result"}
_DELETED = "deleted"


router = APIRouter(include_in_schema=False)


def owner_page(app: FastAPI) -> None:
    """Serve it under ``/owner``."""
    app.include_router(router)


@router.get("/owner")
@router.get("/owner/{step:path}")
async def page(request: Request, step: str = "", dog: str = "") -> Response:
    """A step of the owner's way; without a link the first page."""
    return await _answered(request, OwnerRequest.read(dog, step, request.cookies), _shown)


async def _answered(
    request: Request, asked: OwnerRequest, view: Callable[..., str | Response], *more: Any, **how: Any
) -> Response:
    def problem(what: str, next_step: str, status: int) -> str:
        token = "" if status == 404 else asked.token
        return _problem(OwnerRequest(token, asked.step), what, next_step, again=status >= 500)

    safe = "your entries are safe."
    return await page_or_problem(request, view, request.app.state, asked, *more, problem=problem, safe=safe, **how)


def _shown(state: Any, asked: OwnerRequest) -> str | Response:
    name, _, rest = asked.step.partition("/")
    if name == _DELETED:
        return render("erased.html", OwnerRequest(), rest=bool(rest))
    if not asked.token and asked.step:
        return RedirectResponse("/owner/", 303)
    if asked.token and asked.step in ("", "next"):
        return RedirectResponse(address("owner", _due(state, asked), asked.token), 303)
    if asked.token and not _is_there(asked.step):
        owners.find(state.records, asked.token)  # a wrong link is told as one
        return HTMLResponse(_problem(asked, *words("owner").lines("problem.nowhere")), 404)
    return _view(state, asked)


# --- the same forms, sent by a browser without scripts ----------------------------------------------------------------


@router.post("/owner")
@router.post("/owner/{step:path}")
async def entered(request: Request, step: str = "", dog: str = "") -> Response:
    """A form of the page as it was filled in: start, photos, questions, the way to the groomer, or the end."""
    asked = OwnerRequest.read(dog, step, request.cookies)
    async with request.form(max_files=20, max_fields=200) as form:
        files = [one for one in form.getlist("photos") if isinstance(one, UploadFile)]
        photos = [(one.filename or "", await one.read()) for one in files]
        said = {name: [one for one in form.getlist(name) if isinstance(one, str)] for name in form}
    return await _answered(request, asked, _keep_entered, said, photos, dear=bool(photos))


def _keep_entered(state: Any, asked: OwnerRequest, said: _Said, photos: list[tuple[str, bytes]]) -> Response:
    name, _, rest = asked.step.partition("/")
    limits, first = state.settings.limits, {key: values[0] for key, values in said.items() if values}
    if not asked.token and not asked.step:
        for_groomer = first.get("meant_for") == "groomer"
        _, token = owners.start(
            state.records, first.get("name", ""), days=int(limits["link"]["days"]), for_groomer=for_groomer
        )
        return RedirectResponse(address("owner", "photos", token), 303)
    card = flow.card(rest) if name == "q" else None
    if card is not None:
        return _keep_card(state, asked, card, said)
    if name == "photos":
        refused = _keep_photos(state, asked.token, photos, most=int(limits["upload"]["photos_per_dog"]))
        if refused:
            of = owners.find(state.records, asked.token)
            return HTMLResponse(_photos(state, asked, of, rest, refused), 422)
    elif name == "remove":
        owners.remove_photo(state.records, asked.token, rest)
    elif name == "result":
        owners.send(state.records, asked.token, first.get("sender", ""), first.get("reach", ""))
    elif name == "take-back":
        owners.take_back(state.records, asked.token)
    elif name == "delete":
        kept = "" if owners.erase(state.records, asked.token) else "/rest"
        return RedirectResponse(address("owner", _DELETED + kept), 303)
    else:
        raise RecordError("this page", "is not there.", "Go back to the start.", code="not_found")
    return RedirectResponse(address("owner", _AFTER.get(name, name), asked.token), 303)


def _keep_photos(state: Any, token: str, photos: list[tuple[str, bytes]], *, most: int) -> list[_Refused]:
    """Keep what can be used, whatever becomes of the others; what was refused, with the reasons."""
    from coatclass.photo import refusal

    refused: list[_Refused] = []
    for name, content in photos:
        if not content:  # a field in which no file was chosen comes as an empty one
            continue
        try:
            kept, report = owners.add_photo(state.records, state.looks, token, content, name[:200], most=most)
        except PhotoError as error:
            kept, report = None, refusal(error)
        if kept is None:
            refused.append((name[:200], report))
    return refused


def _keep_card(state: Any, asked: OwnerRequest, card: flow.Card, said: _Said) -> Response:
    """Keep what was changed; what was left open counts as passed in this browser. Nothing is taken back."""
    answers = {spec.id: value for spec in card.specs() if (value := _typed(spec, said)) is not None}
    shown = _came_with(said)
    changed = {name: value for name, value in answers.items() if name not in shown or shown[name] != value}
    owners.save_answers(state.records, asked.token, changed)
    passed = sorted(asked.skipped.union(card.questions) - answers.keys())
    onward = RedirectResponse(address("owner", "next", asked.token), 303)
    onward.set_cookie(
        _passed_cookie(asked.token), ".".join(passed), max_age=_PASSED_S, path="/owner", samesite="strict"
    )
    return onward


def _came_with(said: _Said) -> dict[str, Any]:
    """The answers that the form showed before anybody changed them; none if it does not tell."""
    try:
        shown = json.loads(said.get("shown", ["{}"])[0])
    except (ValueError, RecursionError):  # no form of ours
        return {}
    return shown if isinstance(shown, dict) else {}


def _typed(spec: questionnaire.QuestionSpec, said: _Said) -> Any:
    """An answer out of a form, None if it was left open; what can't be is left to the questionnaire to refuse."""
    given = [one.strip() for one in said.get(spec.id, ())]
    filled = [one for one in given if one]
    if spec.kind == "choices":
        return filled if given else None  # "none of these" comes as an empty one
    if spec.kind == "zones":
        found = {zone.value: said.get(f"{spec.id}-{zone}", [""])[0] for zone in BodyZone}
        return {zone: state for zone, state in found.items() if state} or None
    if spec.kind in _SEVERAL:
        return _SEVERAL[spec.kind](spec, said) or None
    if not filled:
        return None
    if spec.kind == "number":
        return _number(filled[0], said.get(f"{spec.id}-unit", ["1"])[0])
    return filled[0] == "true" if spec.kind == "yes_no" else filled[0]


def _listed(text: str) -> list[str]:
    return [name.strip() for name in re.split("[,;]", text) if name.strip()]


def _tools(spec: questionnaire.QuestionSpec, said: _Said) -> list[Any]:
    """The drawings that were ticked, and what was written beside them."""
    try:
        ticked = [json.loads(one) for one in said.get(spec.id, ())]
    except (ValueError, RecursionError):  # no form of ours
        ticked = []
    return [*ticked, *({"kind": name} for name in _listed(said.get(f"{spec.id}-others", [""])[0]))]


def _pairs(spec: questionnaire.QuestionSpec, said: _Said) -> dict[str, Any]:
    """Rows of two fields: a breed with its share, a gene with its result."""
    rows = zip(said.get(f"{spec.id}-name", ()), said.get(f"{spec.id}-value", ()), strict=False)
    told_of = {name.strip(): value.strip() for name, value in rows if name.strip() and value.strip()}
    return {name: _number(value, "1") for name, value in told_of.items()} if spec.kind == "shares" else dict(told_of)


def _names(spec: questionnaire.QuestionSpec, said: _Said) -> list[str]:
    return _listed(said.get(spec.id, [""])[0])


# Questions whose answer comes out of more than one field, or of one with several entries.
_SEVERAL: Mapping[str, Callable[[questionnaire.QuestionSpec, _Said], Any]] = {
    "names": _names,
    "tools": _tools,
    "shares": _pairs,
    "genotype": _pairs,
}


def _number(text: str, factor: str) -> float | str:
    try:
        value = float(text.replace(",", ".")) * float(factor)
    except ValueError:
        return text
    return round(value, 4) if math.isfinite(value) else text
