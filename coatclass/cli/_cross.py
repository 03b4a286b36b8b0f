"""``coatclass cross``: which coats the pups of two parents may grow, which touch would tell, and the puppy's kits."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from coatclass.cli.parsing import day
from coatclass.taxonomy import CATEGORIES
from coatclass.words import LANGUAGES, catalogue

if TYPE_CHECKING:
    from coatclass.genetics import CrossReport


def declare_cross(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    from coatclass.genetics import GENERATIONS

    say = _say(parser.get_default("language"))
    parser.add_argument("parents", nargs="*", metavar="PARENT", help=say("parents"))
    parser.add_argument(
        "--generation",
        choices=GENERATIONS,
        default="f1",
        help=say("generation"),
    )
    parser.add_argument("--born", type=day, metavar="YYYY-MM-DD", help=say("born"))
    parser.add_argument("--for", dest="audience", choices=["owner", "groomer"], default="groomer", help=say("audience"))
    parser.add_argument("--json", action="store_true", help=say("json"))


def run_cross(args: argparse.Namespace) -> int:
    """Print the litter, the touch that tells most, and the puppy's way with its kits."""
    from coatclass.breeds import name_in_language
    from coatclass.genetics import breed_named, cross, named_crosses, report, report_text

    if len(args.parents) not in (0, 2):
        print(f"coatclass: {_say(args.language)('two_parents')}", file=sys.stderr)
        return 2
    language = LANGUAGES[0] if args.json else args.language  # what programs read is the same in every language
    if args.parents:
        first, second = args.parents
        one = cross(first, second, args.generation)
        title = " x ".join(name_in_language(name, language) for name in (one.first, one.second))
        found = [report(one, f"{title}, {one.generation}", born=args.born, today=args.born)]
    else:
        found = [report(breed_named(named), named.title(language)) for named in named_crosses()]
    if args.json:
        print(json.dumps([_plain(one) for one in found], indent=1, ensure_ascii=False))
        return 0
    print("\n".join(report_text(one, args.audience, _kits(one, language), language) for one in found))
    return 0


def _plain(found: CrossReport) -> dict[str, Any]:
    """The report as JSON; probabilities in the order of the coats' names."""
    return {
        "title": found.title,
        "probabilities": {coat.value: round(share, 4) for coat, share in zip(CATEGORIES, found.before, strict=True)},
        "candidates": [coat.value for coat in found.candidates],
        "verdict": str(found.verdict),
        "touch": {
            "id": found.touch.touch.id,
            "ask": found.touch.touch.ask,
            "bits": round(found.touch.bits, 4),
            "outcomes": [
                {
                    "outcome": outcome,
                    "share": round(share, 4),
                    "candidates": [c.value for c in coats],
                    "verdict": str(then),
                }
                for outcome, share, coats, then in found.after
            ],
        },
        "kits": _kits(found, LANGUAGES[0]),
    }


def _kits(found: CrossReport, language: str) -> dict[str, list[str]]:
    """The puppy's kit in each stage: what to use now."""
    from coatclass.contract import Role
    from coatclass.toolkit import recommend
    from coatclass.triage import triage

    wanted = {Role.ESSENTIAL, Role.HELPFUL}
    return {
        stage.id: [
            one.name
            for one in recommend(stage.situation, triage(stage.situation), language=language)
            if one.role in wanted
        ]
        for stage in found.path.stages
    }


def _say(language: str) -> Callable[[str], str]:
    return lambda key: catalogue(language, "genetics").say(f"option.{key}")
