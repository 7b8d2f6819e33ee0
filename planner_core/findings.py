"""What a step noticed but survived."""

from __future__ import annotations

from enum import StrEnum

from attrs import frozen


class Severity(StrEnum):
    """How much a finding matters to the plan."""

    NOTE = "note"
    """Worth knowing; changes nothing."""
    WARNING = "warning"
    """To be weighed by the clinician; stays on the sheet."""
    BLOCKER = "blocker"
    """No final sheet or guide while it stands."""


@frozen
class Finding:
    """One thing noticed, in a sentence that a clinician can read.

    Parameters
    ----------
    severity : Severity
    code : str
        Stable short name in kebab-case, for tests and for the JSON output.
    text : str
        What was noticed, with its number and unit.
    where : str
        Where: a site, a slice range, a file count; empty when it holds for everything.
    """

    severity: Severity
    code: str
    text: str
    where: str = ""
