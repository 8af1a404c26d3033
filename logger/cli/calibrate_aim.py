"""Where a calibration goes: into a rig file, over a sealed run, or nowhere but the screen."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from logger.cli.options import read_rig_file
from logger.errors import BadInput
from logger.readings.calibration_report import Report
from logger.readings.calibration_table import LONGEST_REFERENCE, NewCalibration, check_day
from logger.readings.rig_file import Channel


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """Where a calibration goes, and its signature.

    Attributes:
        quantity: the channel's id.
        rig: the rig file, or None.
        run: the sealed run, or None.
        channel: the channel there; None where there is no file.
        on: day of the calibration.
        reference: against what.
        by: who.
        due: by when again, or None.
        reason: why a run is corrected.
    """

    quantity: str
    rig: Path | None
    run: Path | None
    channel: Channel | None
    on: str
    reference: str
    by: str
    due: str | None
    reason: str

    @property
    def where(self) -> str:
        """The file, for errors."""
        return str(self.rig or self.run or "")

    def new_calibration(self, report: Report) -> NewCalibration:
        """What goes there."""
        return report.new_calibration(
            on=self.on,
            reference=self.reference or f"points of {Path(report.points.name).name}",
            by=self.by,
            due=self.due,
        )


def read_aim(
    quantity: str,
    *,
    rig: Path | None,
    run: Path | None,
    on: str | None,
    reference: str,
    by: str,
    due: str | None,
    reason: str,
) -> Aim:
    """Checks the options that say where a calibration goes.

    Raises:
        BadInput: naming the option.
    """
    if rig is not None and run is not None:
        raise BadInput(
            where="--run", what="and --rig are two places", would_do="write one, then the other"
        )
    texts = {"--reference": reference, "--by": by, "--reason": reason}
    for option, text in texts.items():
        _refuse_odd_text(option, text)
    if rig is not None and not reference.strip():
        raise BadInput(
            where="--reference",
            what="is missing",
            would_do='say against what, like --reference "block set 2, certificate 123"',
        )
    if run is None and reason:
        raise BadInput(where="--reason", what="belongs to --run", would_do="name a run, or none")
    if run is not None and not (by.strip() and reason.strip()):
        raise BadInput(
            where="--reason" if by.strip() else "--by",
            what="is missing, and a correction is signed",
            would_do='say who and why, like --by "A. Engineer" --reason "wrong weights"',
        )
    return Aim(
        quantity=quantity,
        rig=rig,
        run=run,
        channel=_wired(quantity, rig, run),
        on=_day(on, "--on") or datetime.now().astimezone().date().isoformat(),
        reference=reference.strip(),
        by=by.strip(),
        due=_day(due, "--due"),
        reason=reason.strip(),
    )


def write_down(report: Report, aim: Aim) -> dict[str, Any]:
    """Writes a calibration where it goes; nothing where it goes nowhere.

    Returns:
        What was written, JSON objects by the kind of file.

    Raises:
        BadInput: see :mod:`logger.recording.rig_rewriting` and
            :mod:`logger.recording.corrections`.
        StorageFailed: where the disk refuses.
    """
    calibration = aim.new_calibration(report)
    if aim.rig is not None:
        from logger.recording.rig_rewriting import write_calibration  # noqa: PLC0415 - see below

        changed = write_calibration(aim.rig, channel=aim.quantity, calibration=calibration)
        return {"rig": {"path": str(aim.rig), "changed": changed}}
    if aim.run is not None:
        # pyarrow takes half a second to start, which a fit alone need not pay
        from logger.recording.corrections import add_correction, sidecar_path  # noqa: PLC0415
        from logger.recording.run import open_run  # noqa: PLC0415

        layer = add_correction(
            aim.run,
            open_run(aim.run, corrected=False).header,
            channel=aim.quantity,
            calibration=calibration,
            by=aim.by,
            reason=aim.reason,
            made_utc=datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
        )
        return {"correction": {"path": str(sidecar_path(aim.run))} | layer.to_json()}
    return {}


def _wired(quantity: str, rig: Path | None, run: Path | None) -> Channel | None:
    """The channel as it is now: in a run, with the layers that lie on it."""
    if rig is not None:
        rig_file, _ = read_rig_file(rig)
    elif run is not None:
        from logger.recording.run import open_run  # noqa: PLC0415 - pulls in pyarrow

        rig_file = open_run(run).header.rig
    else:
        return None
    from logger.recording.rig_rewriting import refuse_other_channel  # noqa: PLC0415

    return refuse_other_channel(rig_file, channel=quantity, name=str(rig or run))


def _day(text: str | None, option: str) -> str | None:
    if text is None:
        return None
    try:
        return check_day(text)
    except ValueError as exc:
        raise BadInput(where=option, what=str(exc)) from exc


def _refuse_odd_text(option: str, text: str) -> None:
    if not text.isprintable():
        raise BadInput(where=option, what="holds control characters", would_do="write plain words")
    if len(text) > LONGEST_REFERENCE:
        raise BadInput(where=option, what=f"has {len(text)} characters, over {LONGEST_REFERENCE}")
