"""``coatclass schema``: the JSON Schemas of what goes in and comes out."""

from __future__ import annotations

import argparse
import json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's arguments."""
    parser.add_argument(
        "of", nargs="?", choices=["assessment", "answers", "visits"], default="assessment", help="which schema"
    )


def run(args: argparse.Namespace) -> int:
    """Print the schema."""
    if args.of == "answers":
        from coatclass.answers import json_schema

        schema = json_schema()
    elif args.of == "visits":
        from pydantic import TypeAdapter

        from coatclass.contract import VisitNote

        schema = TypeAdapter(tuple[VisitNote, ...]).json_schema()
    else:
        from coatclass.contract import Assessment

        schema = Assessment.model_json_schema(mode="serialization")
    print(json.dumps(schema, indent=2, ensure_ascii=False))
    return 0
