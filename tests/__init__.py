"""The tests; run by `python3 -m tests`. This file is read before anything is installed: standard library only."""
