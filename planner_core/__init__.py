"""Plumbline's core: numbers in, numbers out; no window, no renderer; usable from a script."""
