"""Run the code of the pages and put what it prints, and the figures of README.md, in place.

``python docs/build_pages.py`` rewrites README.md, DEVELOPERS.md, the pages of docs/ that hold code, and
its figures in docs/images. The tests compare the same texts with a tolerance, so nothing need be checked here.
"""

import contextlib
import io
import os
import re
import tempfile
from pathlib import Path

import matplotlib

PROJECT = Path(__file__).resolve().parents[1]
FIGURES = ("two_lungs.png", "circuit.png")
# A block of Python, and behind it the block of text that shows what it prints.
BLOCK = re.compile(r"^```python\n(?P<code>.*?)^```\n(?P<shown>\n```text\n.*?^```\n)?", flags=re.S | re.M)


def refreshed(text: str, *, name: str) -> str:
    """A page with what its blocks print now; they run in order, in one namespace, in the current folder."""
    namespace = {"__name__": "page"}

    def run(block: re.Match[str]) -> str:
        printed = io.StringIO()
        with contextlib.redirect_stdout(printed):
            exec(compile(block["code"], name, "exec"), namespace)
        shown = f"\n```text\n{printed.getvalue()}```\n" if printed.getvalue() else ""
        return f"```python\n{block['code']}```\n{shown}"

    return BLOCK.sub(run, text)


def main() -> None:
    """Rewrite all pages."""
    matplotlib.use("agg")
    pages = [PROJECT / "README.md", PROJECT / "DEVELOPERS.md", *sorted((PROJECT / "docs").rglob("*.md"))]
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        for page in pages:
            text = page.read_text(encoding="utf-8")
            page.write_text(refreshed(text, name=page.name), encoding="utf-8")
        for figure in FIGURES:
            os.replace(figure, PROJECT / "docs" / "images" / figure)


if __name__ == "__main__":
    main()
