"""The command line: the whole chain without a window.

Exit: 0 done (a verdict is an answer, not a failure), 2 refused with a sentence on standard error (what
happened, what to do), 1 a fault of the program with the place of its log, 130 stopped by the user.
"""

from __future__ import annotations

import argparse
import importlib
import logging
import sys
import traceback
from datetime import UTC, datetime
from pathlib import Path
from typing import NoReturn

from planner_core.errors import Cancelled, PlannerError

DONE, FAULT, REFUSED, STOPPED = 0, 1, 2, 130

CAUTION = (
    "Supports the judgement of a licensed clinician and does not replace it. Not a cleared medical device. The "
    "whole volume must be read by a qualified person; manufacturers' instructions and local rules come first."
)


class _Parser(argparse.ArgumentParser):
    """Says what is wrong in one sentence."""

    def error(self, message: str) -> NoReturn:
        self.exit(REFUSED, f"{message[:1].upper()}{message[1:]}. See `{self.prog} --help`.\n")


PARTS = {
    "app.cli_demo": ("demo",),
    "app.cli_scan": ("import", "scan-check"),
    "app.cli_network": ("receive", "query", "retrieve"),
    "app.cli_match": ("match-points",),
    "app.cli_roads": ("match-markers", "match-surface", "match-dual"),
    "app.cli_plan": ("apply", "chain", "clearances", "sheet"),
    "app.cli_budget": ("budget",),
    "app.cli_propose": ("propose", "choose"),
    "app.cli_case": ("check", "history", "pack", "unpack"),
}
"""Where each command is; only the part asked for is loaded, since the libraries behind them take seconds."""


def parser(wanted: str | None = None) -> argparse.ArgumentParser:
    """Give the parser with every command, or with those of one part where the command is known."""
    top = _Parser(prog="python3 -m app", description="Planning of guided implant surgery.", epilog=CAUTION)
    commands = top.add_subparsers(dest="command", required=True, metavar="COMMAND", parser_class=_Parser)
    one = [part for part, names in PARTS.items() if wanted in names]
    for part in one or PARTS:
        importlib.import_module(part).register(commands)
    return top


def main(argv: list[str]) -> int:
    """Run one command and give its exit code."""
    logging.getLogger("fpdf").setLevel(logging.ERROR)
    try:
        arguments = parser(argv[0] if argv else None).parse_args(argv)
        code: int | None = arguments.run(arguments)
        sys.stdout.flush()
    except PlannerError as refused:
        print(refused, file=sys.stderr)
        return REFUSED
    except (Cancelled, KeyboardInterrupt):
        return STOPPED
    except BrokenPipeError:
        sys.stderr.close()
        return DONE
    except SystemExit as leaving:
        return leaving.code if isinstance(leaving.code, int) else REFUSED
    except Exception:
        print(
            f"Something went wrong inside the program; nothing was changed. Details are in {_logged()}.",
            file=sys.stderr,
        )
        return FAULT
    return DONE if code is None else code


def _logged() -> Path:
    """Write the fault into the log folder, without what was worked on."""
    from platformdirs import user_log_path

    folder = user_log_path("plumbline", appauthor=False, ensure_exists=True)
    path = folder / f"fault-{datetime.now(UTC):%Y%m%d-%H%M%S-%f}.txt"
    path.write_text(traceback.format_exc(), encoding="utf-8")
    return path
