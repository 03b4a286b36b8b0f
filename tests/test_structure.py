"""How the code hangs together: private modules stay private, and no files import each other in a circle."""

from __future__ import annotations

import ast
from functools import cache
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PLACES = ("coatclass", "app", "training", "tests")


@cache
def files() -> tuple[Path, ...]:
    return tuple(sorted(path for place in PLACES for path in (ROOT / place).rglob("*.py")))


def module_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def imported(path: Path) -> tuple[tuple[str, ...], ...]:
    """Every name that a file imports from the repository, as its parts: ``("coatclass", "photo", "load")``."""
    found: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            above = path.relative_to(ROOT).parts[: -node.level] if node.level else ()
            found += [".".join((*above, *filter(None, [node.module]), alias.name)) for alias in node.names]
        elif isinstance(node, ast.Import):
            found += [alias.name for alias in node.names]
    return tuple(tuple(name.split(".")) for name in found if name.split(".")[0] in PLACES)


def owner_of_private(parts: tuple[str, ...]) -> str | None:
    """The package whose private module or name is imported; None if all parts are public."""
    for place, part in enumerate(parts):
        if part.startswith("_") and not part.startswith("__"):
            owner = Path(*parts[:place])
            return ".".join(parts[: place - 1] if (ROOT / owner.with_suffix(".py")).is_file() else parts[:place])
    return None


@cache
def reached_into() -> dict[str, set[str]]:
    """Packages into whose private parts files outside reach, and those files."""
    found: dict[str, set[str]] = {}
    for path in files():
        package = ".".join(path.relative_to(ROOT).parent.parts)
        for parts in imported(path):
            owner = owner_of_private(parts)
            if owner is not None and not f"{package}.".startswith(f"{owner}."):
                found.setdefault(owner, set()).add(str(path.relative_to(ROOT)))
    return found


def test_nobody_imports_another_packages_private_modules() -> None:
    against = {owner: sorted(by) for owner, by in reached_into().items()}
    assert against == {}, "give the module a public name, or export what is needed"


def circle() -> list[str]:
    """Modules that import each other in a ring; imports inside functions count as well."""
    modules = {module_of(path): path for path in files()}
    graph: dict[str, set[str]] = {}
    for name, path in modules.items():
        needs = graph.setdefault(name, set())
        for parts in imported(path):
            prefixes = (".".join(parts[:length]) for length in range(len(parts), 0, -1))
            needs.update([next((prefix for prefix in prefixes if prefix in modules), name)])
        # A package's own modules may ask its __init__ for nothing but its name.
        needs -= {name, *(package for package in modules if name.startswith(f"{package}."))}
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as error:
        return list(error.args[1])
    return []


def test_no_files_import_each_other_in_a_circle() -> None:
    assert circle() == []
