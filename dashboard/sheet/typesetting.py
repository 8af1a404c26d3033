"""From a sheet's document to PDF, by typst, offline.

All words go over as one JSON text and are set as text, so that no name from a file is ever taken
for markup. The fonts are the project's own and those within the compiler; a letter that these
lack is taken from the computer's fonts where it has one.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

import typst

Paper = Literal["a4", "letter"]
Part = Literal["record", "placard", "both"]

_LAYOUT = Path(__file__).parent / "layout"
_FONTS = Path(__file__).parent / "fonts"


def set_in_type(document: dict[str, Any]) -> bytes:
    """The PDF of a document.

    Args:
        document: as :func:`dashboard.sheet.sheet.sheet_document` makes it.
    """
    pdf = typst.compile(
        str(_LAYOUT / "sheet.typ"),
        root=str(_LAYOUT),
        font_paths=[str(_FONTS)],
        format="pdf",
        sys_inputs={"document": json.dumps(document, ensure_ascii=False)},
    )
    if not isinstance(pdf, bytes):
        raise TypeError(f"the compiler gave {type(pdf).__name__} and no PDF")
    return pdf
