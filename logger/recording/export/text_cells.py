"""Text that a spreadsheet will not take for a formula.

A cell of a CSV file that begins with ``=``, ``+``, ``-`` or ``@`` is worked out by a spreadsheet
that opens the file, and may then send or change anything. Text gets an apostrophe in front there,
the sign for text in spreadsheets. In a workbook a cell says itself whether it is text, and an
apostrophe would be seen; there the same sign is a property of the cell. Numbers are never touched:
-12.5 stays a number. (The list is that of the Open Worldwide Application Security Project's page on
CSV injection, from memory.)
"""

from __future__ import annotations

_ORDERS = ("=", "+", "-", "@", "＝", "＋", "－", "＠", "−", "|")
_BREAKS = "\t\r\n"
LONGEST_CELL = 32_767
"""Characters that a cell of a spreadsheet holds."""


def safe_text(text: str) -> str:
    """Text for a cell of a CSV file: no formula, no control characters, no longer than it holds.

    Args:
        text: from anywhere.
    """
    plain = plain_text(text)
    return _cut(f"'{plain}") if looks_like_formula(plain) else plain


def plain_text(text: str) -> str:
    """Text for a cell that is marked as text: no control characters, no longer than a cell holds.

    Args:
        text: from anywhere.
    """
    return _cut(
        "".join(
            c if c in _BREAKS or not _is_control(c) else "\N{REPLACEMENT CHARACTER}" for c in text
        )
    )


def looks_like_formula(text: str) -> bool:
    """Whether a spreadsheet would work a text out, were it typed into a cell."""
    return text[:1] in tuple(_BREAKS) or text.lstrip().startswith(_ORDERS)


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_CELL else text[: LONGEST_CELL - 1] + "…"


def _is_control(sign: str) -> bool:
    """Control characters, halves of pairs and non-characters, which XML can't hold."""
    code = ord(sign)
    return (
        code < 0x20 or 0x7F <= code <= 0x9F or 0xD800 <= code <= 0xDFFF or code in (0xFFFE, 0xFFFF)
    )


def quoted(text: str) -> str:
    """A text cell of a CSV file, safe and quoted where a comma, a quote or a break asks for it."""
    plain = safe_text(text)
    if any(c in plain for c in ',;"\t\r\n') or plain != plain.strip():
        return '"' + plain.replace('"', '""') + '"'
    return plain
