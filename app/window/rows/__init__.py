"""The commands of each question; the table puts them together."""
