"""`python3 -m tests.kill --kills 300 [--seed S] [--json]`: kill the program at random moments and look for loss.

After each kill the case is opened again: every step whose saving was acknowledged must be there, unchanged, the
whole case must pass its check, and nothing half-made may be left beside or inside it.
"""

from __future__ import annotations

from tests import _command

if __name__ == "__main__":
    _command.run_in_environment()

import argparse
import json
import sys

from tests.kill.killing import run


def main(argv: list[str]) -> int:
    """Run and print; 0 when nothing was lost."""
    parser = argparse.ArgumentParser(prog="python3 -m tests.kill", description=__doc__)
    parser.add_argument("--kills", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args(argv)
    result = run(arguments.kills, arguments.seed)
    if arguments.json:
        print(json.dumps(result, indent=1))
    else:
        print(", ".join(f"{key.replace('_', ' ')}: {value}" for key, value in result.items()))
    return 0 if result["acknowledged_lost"] == result["broken"] == result["orphans_left"] == 0 else 1


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
