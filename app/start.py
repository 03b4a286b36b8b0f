"""Set everything up and run the main job: ``python3 app/start.py [PHOTO ...]``.

With photos of one dog it assesses them. Without, it opens the web app on an invented salon (``--no-browser``: only
prints the address; ``--port N``: on a port of your choice). ``--text`` shows a dog of that salon in the terminal.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from app.environment import ROOT, prepare

DEMO_ANSWERS = ROOT / "app" / "demo" / "bramble.json"
WEB = ("--no-browser", "--port")


HELP = """\
Set coatclass up in a folder of its own (.venv) and run it.

  python3 app/start.py                     open the web app on an invented salon, in the browser
  python3 app/start.py --no-browser        only print the address
  python3 app/start.py --port 8000         on a port of your choice
  python3 app/start.py --text              show a dog of that salon in the terminal
  python3 app/start.py PHOTO [PHOTO ...]   assess one dog from its photos

Everything else that coatclass can do: .venv/bin/python -m coatclass --help (after the first start).
For your own salon, with your own records: .venv/bin/python -m coatclass serve --help
"""


def plan(arguments: list[str]) -> tuple[list[str], list[str]]:
    """What to install besides the base, and the command to hand over to."""
    if arguments == ["--text"]:
        return [], ["assess", "--answers", str(DEMO_ANSWERS)]
    if not arguments or arguments[0].partition("=")[0] in WEB:
        return ["web"], ["serve", "--demo", *arguments]
    return [], ["assess", *arguments]


def main(arguments: list[str]) -> int:
    """Prepare the environment that the arguments need, then hand over to the command line."""
    if {"-h", "--help"} & set(arguments):
        print(HELP, end="")
        return 0
    extras, command = plan(arguments)
    python = prepare(".venv", extras)
    try:
        return subprocess.run([str(python), "-m", "coatclass", *command], check=False).returncode
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
