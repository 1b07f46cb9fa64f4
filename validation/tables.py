"""The data files of the cases: comma-separated text whose lines of comment begin with #."""

import csv
from fractions import Fraction
from pathlib import Path


def read_table(path: Path) -> list[dict[str, str]]:
    """Rows by column name, all as text, so that the digits written stay known; empty cells are left out."""
    lines = path.read_text(encoding="utf-8").splitlines()
    reader = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{name: cell for name, cell in row.items() if cell} for row in reader]


def number(text: str) -> float:
    """A number that may be written as a fraction."""
    return float(Fraction(text))
