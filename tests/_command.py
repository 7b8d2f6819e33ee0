"""First line of every command that lives among the tests (`python3 -m tests.benchmarks` and the like)."""

from __future__ import annotations

from app import _environment


def run_in_environment() -> None:
    """Return only inside the complete environment with the test tools; call it before importing anything else."""
    _environment.ensure(for_tests=True)
