"""``coatclass cross``: which coats the pups of two parents may grow, which touch would tell, and the puppy's kits."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import date
from typing import TYPE_CHECKING, Any

from coatclass.taxonomy import CATEGORIES

if TYPE_CHECKING:
    from coatclass.genetics import CrossReport


def declare_cross(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    from coatclass.genetics import GENERATIONS

    parser.add_argument("parents", nargs="*", metavar="PARENT", help="breed of each parent; none for twelve examples")
    parser.add_argument(
        "--generation",
        choices=GENERATIONS,
        default="f1",
        help="f1: first cross; f1b: that one back to the second PARENT; f2: two first crosses (default f1)",
    )
    parser.add_argument("--born", type=_day, metavar="YYYY-MM-DD", help="gives the puppy's way dates")
    parser.add_argument("--for", dest="audience", choices=["owner", "groomer"], default="groomer", help="whose words")
    parser.add_argument("--json", action="store_true", help="print JSON instead of text")


def run_cross(args: argparse.Namespace) -> int:
    """Print the litter, the touch that tells most, and the puppy's way with its kits."""
    from coatclass.genetics import breed_named, cross, named_crosses, report, report_text

    if len(args.parents) not in (0, 2):
        print("coatclass: give two parents, or none for twelve examples.", file=sys.stderr)
        return 2
    if args.parents:
        first, second = args.parents
        found = [report(cross(first, second, args.generation), born=args.born, today=args.born)]
    else:
        found = [report(breed_named(named), named.title) for named in named_crosses()]
    if args.json:
        print(json.dumps([_plain(one) for one in found], indent=1, ensure_ascii=False))
        return 0
    print("\n".join(report_text(one, args.audience, _kits(one)) for one in found))
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
        "kits": _kits(found),
    }


def _kits(found: CrossReport) -> dict[str, list[str]]:
    """The puppy's kit in each stage: what to use now."""
    from coatclass.contract import Role
    from coatclass.toolkit import recommend
    from coatclass.triage import triage

    wanted = {Role.ESSENTIAL, Role.HELPFUL}
    return {
        stage.id: [one.name for one in recommend(stage.situation, triage(stage.situation)) if one.role in wanted]
        for stage in found.path.stages
    }


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"must be a date such as 2026-03-01, not {text!r}") from None
