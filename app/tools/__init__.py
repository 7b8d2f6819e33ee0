"""Gestures in the views: a tool begins, shows, and then commits or reverts; Esc and errors revert."""
