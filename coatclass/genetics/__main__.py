"""``python -m coatclass.genetics PARENT PARENT [--generation f1b] [--for owner]``: a cross in plain text."""

from __future__ import annotations

import argparse
import sys

from coatclass.errors import CoatclassError
from coatclass.genetics import GENERATIONS, breed_named, cross, named_crosses, report, report_text


def main(arguments: list[str] | None = None) -> int:
    """Print the report of a cross, or of the twelve named ones when no parent is given; exit code 3 on bad input."""
    parser = argparse.ArgumentParser(prog="python -m coatclass.genetics")
    parser.add_argument("parents", nargs="*", metavar="PARENT", help="two breeds; none for the named crosses")
    parser.add_argument("--generation", choices=GENERATIONS, default="f1")
    parser.add_argument("--for", dest="audience", choices=("owner", "groomer"), default="groomer")
    chosen = parser.parse_args(arguments)
    if len(chosen.parents) not in (0, 2):
        parser.error("give two parents, or none for the named crosses")
    try:
        if chosen.parents:
            first, second = chosen.parents
            found = [report(cross(first, second, chosen.generation))]
        else:
            found = [report(breed_named(named), named.title) for named in named_crosses()]
    except CoatclassError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    print("\n".join(report_text(one, chosen.audience) for one in found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
