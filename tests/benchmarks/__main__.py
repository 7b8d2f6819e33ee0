"""`python3 -m tests.benchmarks [NAME ...] [--json]`: every benchmark of this folder, one table.

Each module with a function ``rows()`` gives rows with ``work``, ``ours``, ``peer``, ``ratio``, ``bar``, ``unit``;
ratios are of one run on one machine. Numbers are printed, never tested: a slow machine is no fault.
"""

from __future__ import annotations

from tests import _command

_command.run_in_environment()

import argparse  # noqa: E402
import importlib  # noqa: E402
import json  # noqa: E402
import sys  # noqa: E402
import traceback  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import Any  # noqa: E402

COLUMNS = ("work", "ours", "peer", "ratio", "unit", "bar")
FOLDER = Path(__file__).parent


def names() -> list[str]:
    """Give the benchmarks there are."""
    found = [path.stem for path in sorted(FOLDER.glob("*.py")) if not path.stem.startswith("_")]
    return [name for name in found if "def rows(" in (FOLDER / f"{name}.py").read_text(encoding="utf-8")]


def run(name: str) -> list[dict[str, Any]]:
    """Give the rows of one benchmark; one that fails gives a row that says so."""
    try:
        module = importlib.import_module(f"tests.benchmarks.{name}")
        return [{"benchmark": name, **row} for row in module.rows()]
    except Exception as fault:
        traceback.print_exc()
        return [{"benchmark": name, "work": name, "failed": f"{type(fault).__name__}: {fault}"}]


def table(rows: list[dict[str, Any]]) -> str:
    """Give the rows as a Markdown table."""
    cells = [[_cell(row, column) for column in COLUMNS] for row in rows]
    widths = [max(len(c) for c in column) for column in zip(COLUMNS, *cells, strict=True)]
    lines = [" | ".join(text.ljust(width) for text, width in zip(line, widths, strict=True)) for line in cells]
    head = " | ".join(text.ljust(width) for text, width in zip(COLUMNS, widths, strict=True))
    return "\n".join(f"| {line} |" for line in [head, " | ".join("-" * width for width in widths), *lines])


def _cell(row: dict[str, Any], column: str) -> str:
    if column == "ours" and "failed" in row:
        return f"failed: {row['failed']}"
    value = row.get(column)
    if isinstance(value, bool) or value is None:
        return "" if value is None else str(value)
    return f"{value:.3g}" if isinstance(value, int | float) else str(value)


def main(argv: list[str]) -> int:
    """Run the chosen benchmarks, all by default."""
    parser = argparse.ArgumentParser(prog="python3 -m tests.benchmarks", description=__doc__)
    parser.add_argument("names", nargs="*", metavar="NAME", help=", ".join(names()))
    parser.add_argument("--json", action="store_true")
    arguments = parser.parse_args(argv)
    unknown = set(arguments.names) - set(names())
    if unknown:
        parser.error(f"there is no benchmark {sorted(unknown)[0]!r}; there are {', '.join(names())}")
    rows = []
    for name in arguments.names or names():
        if not arguments.json:
            print(f"running {name} ...", file=sys.stderr)
        rows += run(name)
    print(json.dumps(rows, indent=1, default=float) if arguments.json else table(rows))
    return 1 if any("failed" in row for row in rows) else 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
