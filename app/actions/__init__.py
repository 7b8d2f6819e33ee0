"""What the user can do to the plan, one module per question; the edits themselves are the core's."""
