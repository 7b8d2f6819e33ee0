"""Calibration and accuracy studies, run by command: ``python -m tests.studies NAME --json``.

Each study is a module of this package with ``NAME``, ``add_arguments(parser)``, ``run(args) -> dict`` and
``table(result) -> str``.
"""

from __future__ import annotations

from tests._command import run_in_environment

run_in_environment()

import argparse  # noqa: E402
import importlib  # noqa: E402
import importlib.util  # noqa: E402
import json  # noqa: E402
import sys  # noqa: E402

from planner_core.errors import PlannerError  # noqa: E402

STUDIES = ("match", "anatomy", "scatter", "scatter_fit", "drill", "propose")
"""Modules of the studies, in the order of the work."""


def main(argv: list[str] | None = None) -> int:
    """Run one study; 0 done, 2 refused with a sentence."""
    parser = argparse.ArgumentParser(prog="python -m tests.studies", description=__doc__)
    commands = parser.add_subparsers(dest="study", required=True, metavar="NAME")
    modules = {}
    for name in STUDIES:
        if importlib.util.find_spec(f"tests.studies.{name}") is None:
            continue
        module = importlib.import_module(f"tests.studies.{name}")
        modules[module.NAME] = module
        command = commands.add_parser(module.NAME, help=(module.__doc__ or "").splitlines()[0])
        module.add_arguments(command)
        command.add_argument("--json", action="store_true", help="print the result as JSON")
    args = parser.parse_args(argv)
    try:
        result = modules[args.study].run(args)
    except PlannerError as refusal:
        print(refusal, file=sys.stderr)
        return 2
    print(json.dumps(result, indent=2) if args.json else modules[args.study].table(result))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
