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


def plan(arguments: list[str]) -> tuple[list[str], list[str]]:
    """What to install besides the base, and the command to hand over to."""
    if arguments == ["--text"]:
        return [], ["assess", "--answers", str(DEMO_ANSWERS)]
    if not arguments or arguments[0].partition("=")[0] in WEB:
        return ["web"], ["serve", "--demo", *arguments]
    return [], ["assess", *arguments]


def main(arguments: list[str]) -> int:
    """Prepare the environment that the arguments need, then hand over to the command line."""
    extras, command = plan(arguments)
    python = prepare(".venv", extras)
    try:
        return subprocess.run([str(python), "-m", "coatclass", *command], check=False).returncode
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
