"""Text that a spreadsheet will not take for a formula.

A cell that begins with ``=``, ``+``, ``-`` or ``@`` is worked out by a spreadsheet that opens a
table, and may then send or change anything. Text from files gets an apostrophe in front there,
the sign for text in spreadsheets. Numbers are never touched: -12.5 stays a number. (The list is
that of the Open Worldwide Application Security Project's page on CSV injection, from memory.)
"""

from __future__ import annotations

_ORDERS = ("=", "+", "-", "@", "＝", "＋", "－", "＠", "−", "|", "%")
_BREAKS = "\t\r\n"
LONGEST_CELL = 32_767
"""Characters that a cell of a spreadsheet holds."""


def safe_text(text: str) -> str:
    """Text for a cell: no formula, no control characters, no longer than a cell holds.

    Args:
        text: from anywhere.
    """
    plain = "".join(
        c if c in _BREAKS or not _is_control(c) else "\N{REPLACEMENT CHARACTER}" for c in text
    )
    if plain[:1] in tuple(_BREAKS) or plain.lstrip().startswith(_ORDERS):
        plain = f"'{plain}"
    if len(plain) > LONGEST_CELL:
        plain = plain[: LONGEST_CELL - 1] + "…"
    return plain


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
