"""Export of the drilling sheet: a job from plan to PDF; a final one only while nothing stands against it."""

from __future__ import annotations

from pathlib import Path

from app.dialogs import Dialogs
from app.pictures import sheet_pictures
from app.workspace import Workspace
from planner_core.case.blockers import blockers_of
from planner_core.case.plan import Plan
from planner_core.case.rows import Revision
from planner_core.case.sheet import sheet_of
from planner_core.errors import PlannerError
from planner_core.exchange.pdf import write_sheet_pdf
from planner_core.progress import Progress, part_of, silent
from planner_core.protocol.sheet import DRAFT, FINAL


def make_sheet(plan: Plan, revision: Revision | None, final: bool, path: Path, progress: Progress = silent) -> str:
    """Write the sheet of a plan; gives its status, "draft" or "final".

    Raises
    ------
    PlannerError
        If a final sheet is asked for while something stands against it; nothing is written then.
    """
    content = sheet_of(plan, revision, wanted=FINAL if final else DRAFT, progress=part_of(progress, 0.0, 0.5))
    if final and content.status == DRAFT:
        raise refusal(plan)
    pictures = sheet_pictures(plan, part_of(progress, 0.5, 0.9))
    write_sheet_pdf(content, pictures, path, part_of(progress, 0.9, 1.0))
    return str(content.status)


def refusal(plan: Plan) -> PlannerError:
    """Word what stands against a final sheet."""
    count = len(blockers_of(plan))
    against = "1 point stands" if count == 1 else f"{count} points stand"
    return PlannerError(
        f"A final sheet cannot be made: {against} against it.",
        "They are listed under Sheet; settle them, or export a draft.",
    )


def export_sheet(workspace: Workspace, dialogs: Dialogs, final: bool, path: Path | None) -> None:
    """Ask where the sheet shall go and write it as a job."""
    plan, store = workspace.plan, workspace.store
    if final and blockers_of(plan):
        raise refusal(plan)
    status = "final" if final else "draft"
    start = f"{plan.title or 'case'} {status} sheet.pdf".replace("/", "-").replace(":", "")
    path = path or dialogs.new_file(f"Export {status} sheet", "PDF (*.pdf)", start)
    if path is None:
        return
    revision = None if store is None else store.head()
    job = workspace.jobs.start(f"Writing the {status} sheet", make_sheet, plan, revision, final, path, key="sheet")
    job.succeeded.connect(lambda done: workspace.messages.note(f"The {done} sheet is in {path}."))
    job.failed.connect(workspace.messages.report)
