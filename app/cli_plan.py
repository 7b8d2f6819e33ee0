"""Commands about the plan: apply, clearances, sheet, chain."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from attrs import evolve

from app.cli_beside import beside_json, beside_lines
from app.cli_shared import (
    Arguments,
    Commands,
    add_command,
    checked_plan,
    open_case,
    progress_of,
    tell,
)
from app.edit_script import Place, described, read_script, run_step
from planner_core.case.blockers import blockers_of
from planner_core.case.chain import chain_of
from planner_core.case.derived import beside_of, ledger_of
from planner_core.case.identity import ANONYMOUS, without_identity
from planner_core.case.plan import Plan
from planner_core.case.session import Session
from planner_core.case.sheet import sheet_of
from planner_core.errors import PlannerError
from planner_core.exchange.pdf import write_sheet_pdf
from planner_core.planning.ledger import LedgerRow
from planner_core.progress import part_of, silent
from planner_core.protocol.sheet import DRAFT, FINAL, sheet_as_json


def register(commands: Commands) -> None:
    """Add the commands."""
    from app import edit_script

    apply = add_command(commands, "apply", "do edits by name", _apply, edit_script.__doc__ or "")
    apply.add_argument("case", type=Path, nargs="?")
    apply.add_argument("edits", type=Path, nargs="?", metavar="EDITS.json")
    apply.add_argument("--list", action="store_true", help="list every edit with its arguments")
    chain = add_command(commands, "chain", "the eight questions and their answers", _chain)
    clear = add_command(commands, "clearances", "every distance of every fixture", _clearances)
    for parser in (chain, clear):
        parser.add_argument("case", type=Path)
    sheet = add_command(commands, "sheet", "write the drilling sheet; refused while a blocker stands", _sheet)
    sheet.add_argument("case", type=Path)
    sheet.add_argument("out", type=Path, metavar="OUT.pdf")
    sheet.add_argument("--draft", action="store_true", help="write a draft, marked on every page")
    sheet.add_argument("--without-identity", action="store_true", help="without any name or date of a person")


def _apply(arguments: Arguments) -> None:
    if arguments.list:
        rows = described()
        result = {"edits": [{"edit": n, "arguments": a, "does": d} for n, a, d in rows]}
        tell(arguments, result, [f"{name}({parameters})\n    {does}" for name, parameters, does in rows])
        return
    if arguments.case is None or arguments.edits is None:
        raise PlannerError("The command apply needs a case and a file of edits.", "See `apply --help`.")
    steps = read_script(arguments.edits)
    place = Place(arguments.edits.resolve().parent, progress_of(arguments))
    with open_case(arguments.case) as store:
        session = Session(store=store)
        # All or nothing: every step is tried before the first one is written.
        plan = session.plan
        plans = []
        for step in steps:
            plan = run_step(plan, step, place)
            plans.append(plan)
        for step, after in zip(steps, plans, strict=True):
            session.apply(step.label, lambda _, after=after: after)
        result = {
            "case": str(arguments.case),
            "steps": [s.label for s in steps],
            "revision": session.revision_number,
        }
    tell(arguments, result, [*(f"done: {s.label}" for s in steps), f"Revision {result['revision']}."])


def _read(arguments: Arguments) -> Plan:
    with open_case(arguments.case, read_only=True) as store:
        plan = store.plan()
        store.bring_into_memory()
        return plan


def _checked(arguments: Arguments) -> Plan:
    return checked_plan(arguments.case, progress_of(arguments))


def _chain(arguments: Arguments) -> None:
    links = chain_of(_checked(arguments))
    result = {
        "chain": [
            {
                "key": link.key,
                "question": link.question,
                "answer": link.answer,
                "state": link.state.value,
                "per_site": dict(link.per_site),
                "why": link.why,
            }
            for link in links
        ]
    }
    tell(arguments, result, [f"{link.question:34} {link.answer or link.state.value}  {link.why}" for link in links])


def _clearances(arguments: Arguments) -> None:
    plan = _read(arguments)
    rows = ledger_of(plan).rows
    beside = beside_of(plan)
    lines = [
        f"{row.site} {row.body:8} {row.obstacle:20} {row.distance_mm:7.2f} mm  "
        f"margin {row.margin_mm:.1f} mm{' (convention)' if row.convention else ''}  {row.state}"
        for row in rows
    ]
    for found in beside.values():
        lines += beside_lines(found)
    result = {
        "clearances": [clearance_json(row) for row in rows],
        "beside": {site: beside_json(found) for site, found in beside.items()},
    }
    tell(arguments, result, lines or ["Nothing to measure."])


def clearance_json(row: LedgerRow) -> dict[str, Any]:
    """Give a row of the ledger for the JSON output."""
    return {
        "site": row.site,
        "body": row.body,
        "obstacle": row.obstacle,
        "kind": row.kind.value,
        "distance_mm": row.distance_mm,
        "margin_mm": row.margin_mm,
        "margin_source": row.margin_source,
        "margin_mark": row.margin_mark,
        "margin_is_convention": row.convention,
        "depth_below_platform_mm": row.depth_mm,
        "state": row.state.value,
        "obstacle_sigma_mm": row.sigma_mm,
        "fixture_point_lps_mm": row.fixture_point_lps_mm,
        "obstacle_point_lps_mm": row.obstacle_point_lps_mm,
    }


def _sheet(arguments: Arguments) -> None:
    from app.pictures import sheet_pictures

    progress = progress_of(arguments)
    with open_case(arguments.case, read_only=True) as store:
        plan, head = store.plan(), store.head()
        if arguments.without_identity:
            plan, head = without_identity(plan), evolve(head, author=ANONYMOUS)
        store.bring_into_memory(part_of(progress, 0.0, 0.1))
    content = sheet_of(plan, head, wanted=DRAFT if arguments.draft else FINAL, progress=part_of(progress, 0.1, 0.7))
    if content.status == DRAFT and not arguments.draft:
        open_points = "; ".join(f.text.rstrip(".") for f in blockers_of(plan))
        raise PlannerError(
            f"A final sheet cannot be made: {open_points}.", "Settle these points, or write a draft with --draft."
        )
    pictures = sheet_pictures(plan, part_of(progress, 0.7, 0.95))
    write_sheet_pdf(content, pictures, arguments.out, silent)
    progress(1.0)
    digest = hashlib.sha256(arguments.out.read_bytes()).hexdigest()
    result = {
        **sheet_as_json(content),
        "sheet": str(arguments.out),
        "sheet_sha256": digest,
        "pages_of_fixtures": len(content.pages),
    }
    tell(arguments, result, [f"{content.status} sheet of revision {head.number}: {arguments.out}"])
