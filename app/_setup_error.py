"""The one way in which the setup ends without an environment."""

from __future__ import annotations


class SetupError(Exception):
    """One sentence: what happened, and what to do."""
