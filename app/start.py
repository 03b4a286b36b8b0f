"""Set everything up and run the main job: ``python3 app/start.py [PHOTO ...]``.

With photos of one dog it assesses them. Without, it opens the web app on the demo scenario;
``--text`` shows the demo dog in the terminal instead.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from app.environment import ROOT, prepare

DEMO_ANSWERS = ROOT / "app" / "demo" / "bramble.json"


def main(arguments: list[str]) -> int:
    """Prepare the environment that the arguments need, then hand over to the command line."""
    python = prepare(".venv", [])
    demo = ["--answers", str(DEMO_ANSWERS)]
    command = ["assess", *(demo if arguments in ([], ["--text"]) else arguments)]
    return subprocess.run([str(python), "-m", "coatclass", *command], check=False).returncode


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
