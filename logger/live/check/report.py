"""The report of a check: one JSON document beside the rig file, and the way back to it.

A report speaks of the rig file that it was made with, to the letter: it is found again only for
the same text. What is read back was perhaps edited, cut short or is something else altogether,
so it is bounded in size and believed only in its form.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from logger.errors import BadInput
from logger.live.check.findings import Finding, Verdict, verdict_of, worst_first
from logger.software import software_name

if TYPE_CHECKING:
    from logger.live.check.guide import Done  # it pulls in the drivers

FORMAT = "slewtrace.check/1"
LARGEST_REPORT_BYTES = 1_000_000
_KEYS = {"sources": list, "channels": list, "steps": list, "findings": list, "utc": str}


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundReport:
    """What was found beside a rig file.

    Attributes:
        report: the report, or None.
        reason: why there is none that counts; empty where there is one.
    """

    report: dict[str, Any] | None
    reason: str = ""


def rig_sha256(rig_toml: str) -> str:
    """Hash of a rig file's text, hex."""
    return hashlib.sha256(rig_toml.encode()).hexdigest()


def usual_path(rig_path: Path) -> Path:
    """Where a check's report goes: ``rig.toml`` to ``rig.check.json``."""
    return rig_path.with_name(f"{rig_path.stem}.check.json")


def make_report(
    *,
    rig_toml: str,
    utc: str,
    sources: Sequence[dict[str, Any]],
    channels: Sequence[dict[str, Any]],
    done: Sequence[Done],
    findings: Sequence[Finding],
) -> dict[str, Any]:
    """The report as a plain object."""
    return {
        "format": FORMAT,
        "rig_sha256": rig_sha256(rig_toml),
        "utc": utc,
        "software": software_name(),
        "verdict": str(verdict_of(list(findings))),
        "sources": list(sources),
        "channels": list(channels),
        "steps": [_step(d) for d in done],
        "findings": [f.to_json() for f in worst_first(list(findings))],
    }


def as_text(report: dict[str, Any]) -> str:
    """The report as JSON, one document."""
    return json.dumps(report, ensure_ascii=False, indent=1, allow_nan=False)


def refuse_place(path: Path) -> None:
    """Refuses a place where a report can't go, before anything is listened to.

    Raises:
        BadInput: where a file that is no report would be overwritten, or the folder is missing.
    """
    if not path.parent.is_dir():
        raise BadInput(
            where=str(path), what=f"there is no folder {path.parent}", would_do="make it first"
        )
    if path.exists() and _read(path).report is None:
        raise BadInput(
            where=str(path),
            what="is there already and is no report of a check",
            would_do="give another name with -o",
        )


def save_report(report: dict[str, Any], path: Path) -> None:
    """Writes a report whole or not at all, in place of an earlier one.

    Raises:
        BadInput: where it can't be written.
    """
    made = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with made.open("w", encoding="utf-8") as file:
            file.write(as_text(report) + "\n")
            file.flush()
            os.fsync(file.fileno())
        made.replace(path)
    except OSError as exc:
        made.unlink(missing_ok=True)
        raise BadInput(
            where=str(path),
            what=f"the report can't be written ({exc.strerror})",
            would_do="name a place with -o",
        ) from exc


def find_report(rig_path: Path, rig_toml: str) -> FoundReport:
    """The report beside a rig file, where it is one of this very text.

    Args:
        rig_path: the rig file.
        rig_toml: its text.
    """
    found = _read(usual_path(rig_path))
    if found.report is not None and found.report.get("rig_sha256") != rig_sha256(rig_toml):
        return FoundReport(report=None, reason="the rig file was changed since it was checked")
    return found


def read_report(rig_path: Path, rig_toml: str) -> dict[str, Any] | None:
    """As :func:`find_report`, without the reason."""
    return find_report(rig_path, rig_toml).report


def _read(path: Path) -> FoundReport:
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_REPORT_BYTES + 1)
    except FileNotFoundError:
        return FoundReport(report=None, reason="the rig was not checked")
    except OSError as exc:
        return FoundReport(report=None, reason=f"{path.name} can't be read ({exc.strerror})")
    if len(data) > LARGEST_REPORT_BYTES:
        return FoundReport(report=None, reason=f"{path.name} is far too large for a report")
    try:
        document = json.loads(data)
    except (ValueError, RecursionError):
        return FoundReport(report=None, reason=f"{path.name} is no JSON document")
    if not _is_report(document):
        return FoundReport(report=None, reason=f"{path.name} is no report of a check")
    return FoundReport(report=document)


def _is_report(document: object) -> bool:
    return (
        isinstance(document, dict)
        and document.get("format") == FORMAT
        and document.get("verdict") in list(Verdict)
        and all(isinstance(document.get(key), kind) for key, kind in _KEYS.items())
    )


def _step(done: Done) -> dict[str, Any]:
    document: dict[str, Any] = {
        "step": done.step.name,
        "title": done.step.title,
        "channels": list(done.step.channels),
        "outcome": str(done.outcome),
        "text": done.why,
        "figures": {},
    }
    if done.judgement is not None:
        document |= {"text": done.judgement.text, "figures": dict(done.judgement.figures)}
    return document
