"""``python -m coatclass.genetics PARENT PARENT [--generation f1b] [--for owner]``: a cross in plain text."""

from __future__ import annotations

import argparse
import sys
from datetime import date

from coatclass.contract import Role
from coatclass.errors import CoatclassError
from coatclass.genetics import GENERATIONS, CrossReport, breed_named, cross, named_crosses, report, report_text
from coatclass.toolkit import recommend


def main(arguments: list[str] | None = None) -> int:
    """Print the report of a cross, or of the twelve named ones when no parent is given; exit code 3 on bad input."""
    parser = argparse.ArgumentParser(prog="python -m coatclass.genetics")
    parser.add_argument("parents", nargs="*", metavar="PARENT", help="two breeds; none for the named crosses")
    parser.add_argument("--generation", choices=GENERATIONS, default="f1")
    parser.add_argument("--born", type=date.fromisoformat, metavar="YYYY-MM-DD", help="gives the path dates")
    parser.add_argument("--for", dest="audience", choices=("owner", "groomer"), default="groomer")
    chosen = parser.parse_args(arguments)
    if len(chosen.parents) not in (0, 2):
        parser.error("give two parents, or none for the named crosses")
    try:
        if chosen.parents:
            first, second = chosen.parents
            found = [report(cross(first, second, chosen.generation), born=chosen.born, today=chosen.born)]
        else:
            found = [report(breed_named(named), named.title) for named in named_crosses()]
    except CoatclassError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    print("\n".join(report_text(one, chosen.audience, _kits(one)) for one in found))
    return 0


def _kits(found: CrossReport) -> dict[str, list[str]]:
    """The puppy's kit in each stage: what the toolkit recommends to use now."""
    wanted = {Role.ESSENTIAL, Role.HELPFUL}
    return {
        stage.id: [item.name for item in recommend(stage.situation) if item.role in wanted]
        for stage in found.path.stages
    }


if __name__ == "__main__":
    sys.exit(main())
