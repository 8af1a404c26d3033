"""The report for a person: tables on a terminal, plain aligned lines elsewhere.

What must be mended comes first, each with what would do, then what to weigh. Every state is told
by a sign and a word, so it reads the same without colour (IEC 60073: never colour alone).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import IO, Any, Protocol, TypeAlias

from logger.live.check.calibration_check import calibration_words
from logger.live.check.findings import Finding, Severity, last_line, worst_first
from logger.safety_words import SAFETY_SENTENCES

Row: TypeAlias = Sequence[str]

_SIGNS = {
    Severity.NOT_READY: ("x NOT READY", "bold red"),
    Severity.CAUTION: ("! caution", "bold yellow"),
    Severity.NOTE: ("- note", "dim"),
}
_OUTCOMES = {
    "passed": ("+ passed", ""),
    "caution": ("! caution", "bold yellow"),
    "failed": ("x FAILED", "bold red"),
    "not exercised": ("- not exercised", "dim"),
}
_VERDICTS = {Severity.NOT_READY: "bold white on red", Severity.CAUTION: "bold black on yellow"}
_INDENT = "    "


class Paper(Protocol):
    """Where the report is shown."""

    def line(self, text: str = "", *, style: str = "", indent: str = "") -> None:
        """One line, or a paragraph where it is long."""

    def table(self, head: Row, rows: Iterable[Row]) -> None:
        """A table; cells are short."""


class PlainPaper:
    """Aligned lines, for a pipe or a file.

    Args:
        file: where they go.
    """

    def __init__(self, file: IO[str]) -> None:
        self._file = file

    def line(self, text: str = "", *, style: str = "", indent: str = "") -> None:  # noqa: ARG002 - as in Paper
        """One line, however long."""
        self._file.write(f"{indent}{text}\n")

    def table(self, head: Row, rows: Iterable[Row]) -> None:
        """Columns set off by two spaces."""
        lines = [head, *rows]
        widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
        for line in lines:
            cells = (cell.ljust(width) for cell, width in zip(line, widths, strict=True))
            self.line("  ".join(cells).rstrip())


class TerminalPaper:
    """A terminal.

    Args:
        file: where it is.
    """

    def __init__(self, file: IO[str]) -> None:
        from rich.console import Console  # noqa: PLC0415 - only where there is a terminal

        self._console = Console(file=file, highlight=False)

    def line(self, text: str = "", *, style: str = "", indent: str = "") -> None:
        """A paragraph, wrapped and indented."""
        from rich.padding import Padding  # noqa: PLC0415 - as above
        from rich.text import Text  # noqa: PLC0415

        shown = Text(text, style=style)
        self._console.print(Padding(shown, (0, 0, 0, len(indent))) if indent else shown)

    def table(self, head: Row, rows: Iterable[Row]) -> None:
        """A table without lines between its rows."""
        from rich.box import SIMPLE_HEAD  # noqa: PLC0415 - as above
        from rich.table import Table  # noqa: PLC0415
        from rich.text import Text  # noqa: PLC0415

        table = Table(box=SIMPLE_HEAD, pad_edge=False, header_style="bold", padding=(0, 1, 0, 0))
        for name in head:
            table.add_column(Text(name))
        for row in rows:
            table.add_row(*(Text(cell, style=_style_of(cell)) for cell in row))
        self._console.print(table)


def paper_for(file: IO[str]) -> Paper:
    """Tables for a terminal, plain lines for anything else."""
    return TerminalPaper(file) if file.isatty() else PlainPaper(file)


def show_listened(
    paper: Paper, sources: Sequence[dict[str, Any]], channels: Sequence[dict[str, Any]]
) -> None:
    """What came from each source and channel."""
    paper.table(
        ("source", "state", "packs/s", "bad", "missing", "twice", "dated to"),
        [_source_row(s) for s in sources],
    )
    paper.line()
    paper.table(
        ("channel", "state", "per s", "last", "raw", "noise", "gap / stale"),
        [_channel_row(c) for c in channels],
    )
    for source in sources:
        for proof in source.get("broker_proofs", ()):
            paper.line(f"{source['id']}, broker: {_proof_words(proof)}")
    for channel in channels:
        if channel.get("calibrated"):
            paper.line(f"{channel['id']}: {calibration_words(channel['calibrated'])}")


def show_findings(paper: Paper, findings: Iterable[Finding]) -> None:
    """Findings, worst first, each with what would do."""
    for finding in worst_first(list(findings)):
        sign, style = _SIGNS[finding.severity]
        paper.line(f"{sign}: {finding.where}", style=style)
        paper.line(finding.text, indent=_INDENT)
        if finding.would_do:
            paper.line(f"What would do: {finding.would_do}", indent=_INDENT)


def show_steps(paper: Paper, steps: Iterable[dict[str, Any]]) -> None:
    """Each guided step and how it ended; what is wrong with it stands among the findings."""
    for step in steps:
        sign, style = _OUTCOMES[step["outcome"]]
        why = "" if step["outcome"] in ("caution", "failed") else f": {step['text']}"
        paper.line(f"{sign}: {step['title']}{why}", style=style)


def show_end(paper: Paper, findings: Sequence[Finding], place: str) -> None:
    """Where the report is, what this program is not, and the verdict as the last line."""
    for sentence in SAFETY_SENTENCES:
        paper.line(sentence, style="dim")
    paper.line(f"Report: {place}", style="dim")
    severities = {f.severity for f in findings}
    worst = next((s for s in Severity if s in severities), Severity.NOTE)
    paper.line(last_line(list(findings)), style=_VERDICTS.get(worst, "bold black on green"))


def _source_row(source: dict[str, Any]) -> Row:
    if not source["open"]:
        return (source["id"], "x NOT OPEN", "", "", "", "", "")
    clock = source["clock"]
    counts = (str(source[k]) for k in ("bad_frames", "missing_packs", "repeated_packs"))
    dated = "arrival" if clock is None else f"{1000 * clock['u_s']:.1f} ms"
    state = "+ speaks" if source["packs"] else "x SILENT"
    return (
        source["id"],
        state,
        _number(source["rate_hz"]),
        *counts,
        dated if state[0] == "+" else "",
    )


def _channel_row(channel: dict[str, Any]) -> Row:
    if not channel["alive"]:
        return (channel["id"], "x NO DATA", "", "", "", "", "")
    if "state" in channel:
        last = {"closed": "closed", "open": "! OPEN"}[channel["state"]]
        noise = f"{channel['changes']} changes" if channel["changes"] else ""
    else:
        last = f"{_number(channel['last'])} {channel['unit']}"
        noise = f"{channel['noise'] or 0:.2g} {channel['unit']}"
    limit = channel["stale_after_s"]
    gap_s = channel["longest_gap_s"]
    late = "! " if limit is not None and gap_s > limit else ""
    gap = f"{late}{gap_s:.2f} s" + ("" if limit is None else f" / {limit:g} s")
    return (
        channel["id"],
        "+ lives",
        _number(channel["rate_hz"]),
        last,
        _number(channel["last_raw"]),
        noise,
        gap,
    )


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.4g}"


def _style_of(cell: str) -> str:
    return (
        {"x": "bold red", "!": "bold yellow"}.get(cell[:2].strip(), "") if cell[1:2] == " " else ""
    )


def _proof_words(proof: dict[str, Any]) -> str:
    """One try at a broker: a sign, what was tried, and whether it holds."""
    if proof["holds"] is None:
        return f"? {proof['what']}: not known ({proof['why']})"
    return f"+ {proof['what']}" if proof["holds"] else f"x NOT SO: {proof['what']}"
