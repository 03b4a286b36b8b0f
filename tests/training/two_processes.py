"""Run ``python -m training`` commands one after the other in two processes, as ``torchrun --nproc-per-node 2`` does.

The launcher is torchrun's own; its workers are forked from a process that has loaded everything, so that the slow
imports happen once. Reads a list of argument lists from standard input, as JSON.
"""

from __future__ import annotations

import json
import os
import sys


def run_all(commands: list[list[str]]) -> list[int]:
    """What each of two processes does; exit codes."""
    from training.__main__ import main

    return [main(command) for command in commands]


def launch(commands: list[list[str]]) -> None:
    import sklearn.model_selection  # noqa: F401
    import torch
    from torch.distributed.launcher.api import LaunchConfig, elastic_launch

    import training.image.train  # noqa: F401

    torch.set_num_threads(1)
    local = LaunchConfig(1, 1, 2, rdzv_backend="c10d", rdzv_endpoint="localhost:0", start_method="fork", run_id="tests")
    codes = elastic_launch(local, run_all)(commands)
    assert codes == {rank: [0] * len(commands) for rank in (0, 1)}, codes


if __name__ == "__main__":
    os.environ["CUDA_VISIBLE_DEVICES"] = ""
    launch(json.load(sys.stdin))
