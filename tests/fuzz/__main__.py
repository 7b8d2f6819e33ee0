"""`python3 -m tests.fuzz --inputs N --seed S [--json]`: damaged scans and surfaces into the readers.

Each input is one valid file with one to four damages, the same for the same seed and number. Two workers read
them; none may crash, take over 10 s, or take over 1.5 GB. ``--replay NUMBER`` reads one input here and shows what
happens.
"""

from __future__ import annotations

from tests import _command

_command.run_in_environment()

import argparse  # noqa: E402
import json  # noqa: E402
import sys  # noqa: E402
import tempfile  # noqa: E402
from pathlib import Path  # noqa: E402

from planner_core.errors import PlannerError  # noqa: E402
from tests.fuzz.inputs import samples  # noqa: E402
from tests.fuzz.run import fuzz  # noqa: E402
from tests.fuzz.worker import read_one  # noqa: E402


def replay(seed: int, number: int) -> int:
    """Read one input in this process."""
    with tempfile.TemporaryDirectory(prefix="fuzz_") as folder:
        kinds = samples(Path(folder))
        try:
            read_one(Path(folder), kinds, seed, number)
            print("accepted")
        except PlannerError as error:
            print("refused:", error)
    return 0


def main(argv: list[str]) -> int:
    """Run the fuzzing; 1 if an input crashed, hung or took too much memory."""
    parser = argparse.ArgumentParser(prog="python3 -m tests.fuzz", description=__doc__)
    parser.add_argument("--inputs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--replay", type=int, metavar="NUMBER")
    arguments = parser.parse_args(argv)
    if arguments.replay is not None:
        return replay(arguments.seed, arguments.replay)
    result = fuzz(arguments.inputs, arguments.seed)
    if arguments.json:
        print(json.dumps(result, indent=1))
    else:
        print(
            f"{result['inputs']} inputs: {result['accepted']} accepted, {result['refused']} refused, "
            f"{result['crashes']} crashes, {result['hangs']} hangs, {result['over_memory']} over memory."
        )
        for failure in result["failures"][:20]:
            print(f"  input {failure['input']} ({failure['format']}): {failure['kind']} {failure['what']}")
    return 1 if result["failures"] else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
