"""One panel for each of the eight questions."""
