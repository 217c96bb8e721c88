"""A page of ours as PDF, by the same style sheet, in the colours of light paper."""

import re
from pathlib import Path
from typing import Literal

from vibekit.errors import UsageError
from vibekit.marks import PALETTE, colours

Paper = Literal["A4", "letter"]
NEEDS = "a PDF needs WeasyPrint and its text library; give a name that ends in .html instead and print that, or "


def write_pdf(page: str, path: Path, paper: Paper = "A4") -> None:
    """Write an HTML page of ours to a PDF file. Raises UsageError in one line when WeasyPrint or its libraries are missing."""
    try:
        from weasyprint import HTML
    except ModuleNotFoundError:
        raise UsageError(f"{NEEDS}install it: pip install 'vibekit[pdf]'") from None
    except OSError:
        raise UsageError(f"{NEEDS}install its library: sudo apt-get install libpango-1.0-0 libpangoft2-1.0-0") from None
    HTML(string=on_paper(page, paper)).write_pdf(path)


def on_paper(page: str, paper: Paper = "A4") -> str:
    """Give the page with its variables written out, since drawings inside a page do not know them on paper, and the sheet's size."""
    inks = colours("light")
    page = re.sub(r"@media screen and \(prefers-color-scheme: dark\) \{ :root \{[^}]*\} \}", "", page)
    page = re.sub(r"var\(--([a-z-]+)\)", lambda match: inks.get(match[1], match[0]) if match[1] in PALETTE else match[0], page)
    for name, ink in inks.items():  # drawn in the colour of the words around, which a drawing on paper does not inherit
        page = _inked(page, name, ink)
    return page.replace("@page {", f"@page {{ size: {paper};", 1)


def _inked(page: str, name: str, ink: str) -> str:
    marked = re.compile(rf'<(?:svg|g) class="(?:mark )?{name}".*?</(?:svg|g)>', re.DOTALL)
    return marked.sub(lambda match: match[0].replace("currentColor", ink), page)
