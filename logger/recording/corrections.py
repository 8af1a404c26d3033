"""Corrections of sealed runs: dated layers in a file beside the run, which itself stays as it is.

A sensor may turn out to have been calibrated badly after the test was recorded. The samples
are raw, so a better calibration can be laid over them: with who, when and why, for everyone to
see. The layers of ``<run>.parquet`` lie in ``<run>.corrections.json``, as
:mod:`logger.recording.correction_layers` tells. Of two layers on one channel the later one
counts.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from logger.errors import BadInput, RunUnreadable
from logger.readings.calibration_table import NewCalibration
from logger.readings.rig_file import RigFile
from logger.recording.correction_layers import (
    LARGEST_BYTES,
    Correction,
    layers_as_bytes,
    parse_layers,
)
from logger.recording.header import RunHeader
from logger.recording.in_use import InUse, RunInHand
from logger.recording.replacing import replace_file

SUFFIX = ".corrections.json"


@dataclass(frozen=True, slots=True, kw_only=True)
class CorrectedHeader(RunHeader):
    """The header of a run with layers on it: the rig file of :attr:`rig` is the corrected one.

    Attributes:
        corrected_rig: the rig file as the layers have it; ``rig_toml`` stays as recorded.
    """

    corrected_rig: RigFile

    @property
    def rig(self) -> RigFile:
        """The rig file with every correction in it."""
        return self.corrected_rig


def sidecar_path(run: Path) -> Path:
    """Where a run's corrections lie."""
    return run.with_suffix(SUFFIX)


def corrections_stamp(run: Path) -> tuple[int, int]:
    """When a run's corrections last changed, ns, and their size; zeros without any."""
    try:
        stat = sidecar_path(run).stat()
    except OSError:
        return 0, 0
    return stat.st_mtime_ns, stat.st_size


def corrections_document(corrections: tuple[Correction, ...]) -> list[dict[str, Any]]:
    """Corrections as a result lists them, oldest first."""
    shown = ("made_utc", "by", "reason", "channel", "unit", "coefficients", "u", "sha256")
    return [
        {key: value for key, value in c.to_json().items() if key in shown}
        | {"reference": c.calibrated.get("reference", "")}
        for c in corrections
    ]


def read_corrections(run: Path, header: RunHeader) -> tuple[Correction, ...]:
    """The layers that lie on a run, oldest first; none where there is no file of them.

    Args:
        run: the sealed run.
        header: its header.

    Raises:
        RunUnreadable: in one line, where they are damaged, another run's or of a newer version.
    """
    path = sidecar_path(run)
    try:
        with path.open("rb") as file:
            return parse_layers(file.read(LARGEST_BYTES + 1), header.sha256)
    except FileNotFoundError:
        return ()
    except OSError as exc:
        raise _unusable(path, f"can't be read ({exc.strerror})") from exc
    except ValueError as exc:
        raise _unusable(path, str(exc)) from exc


def correct_header(header: RunHeader, corrections: tuple[Correction, ...], run: Path) -> RunHeader:
    """A header whose rig file has the corrections in it.

    Args:
        header: the header as recorded.
        corrections: layers, oldest first.
        run: the run, for errors.

    Raises:
        RunUnreadable: where the corrected rig file would be none.
    """
    if not corrections:
        return header
    try:
        rig = _corrected_rig(header, corrections)
    except ValueError as exc:
        raise _unusable(sidecar_path(run), str(exc)) from exc
    fields = {name: getattr(header, name) for name in RunHeader.__dataclass_fields__}
    return CorrectedHeader(**fields, corrected_rig=rig)


def add_correction(
    run: Path,
    header: RunHeader,
    *,
    channel: str,
    calibration: NewCalibration,
    by: str,
    reason: str,
    made_utc: str,
) -> Correction:
    """Lays a calibration over a sealed run, above the layers that lie there.

    Args:
        run: the sealed run; not a bit of it is changed.
        header: its header.
        channel: id of the channel.
        calibration: the better calibration.
        by: who corrects.
        reason: why.
        made_utc: when, ISO 8601 ending in Z.

    Returns:
        The layer, on the disk.

    Raises:
        BadInput: without a name or a reason, for a channel that the run has not, or where
            another process is correcting it.
        RunUnreadable: where the layers there can't be read.
        StorageFailed: where the disk refuses; the layers are as they were.
    """
    _refuse_unsigned(by=by, reason=reason)
    path = sidecar_path(run)
    with_lock = _in_hand(run)
    try:
        layers = read_corrections(run, header)
        was = path.read_bytes() if layers else None
        layer = Correction(
            recording_sha256=header.sha256,
            follows=layers[-1].sha256 if layers else header.sha256,
            made_utc=made_utc,
            by=by.strip(),
            reason=reason.strip(),
            channel=channel,
            unit=calibration.unit,
            coefficients=calibration.coefficients,
            u=calibration.u,
            calibrated=calibration.calibrated,
        ).hashed()
        correct_header(header, (*layers, layer), run)
        data = layers_as_bytes((*layers, layer))
        # What can't be read again is not written.
        parse_layers(data, header.sha256)
        replace_file(path, data, was=was)
    finally:
        with_lock.release()
    return layer


def _refuse_unsigned(*, by: str, reason: str) -> None:
    for option, text, example in (
        ("--by", by, "who corrects"),
        ("--reason", reason, "why the calibration was wrong"),
    ):
        if not text.strip():
            raise BadInput(
                where=option, what="a correction is signed", would_do=f"say {example} in it"
            )


def _in_hand(run: Path) -> RunInHand:
    try:
        return RunInHand(run)
    except InUse as exc:
        raise BadInput(
            where=str(run), what="is just being corrected by another", would_do="do it again"
        ) from exc
    except OSError as exc:
        raise RunUnreadable(where=str(run), what=f"can't be opened ({exc.strerror})") from exc


def _corrected_rig(header: RunHeader, corrections: tuple[Correction, ...]) -> RigFile:
    document = tomllib.loads(header.rig_toml)
    tables = {table["id"]: table for table in document["channel"]}
    for number, layer in enumerate(corrections, start=1):
        wired = header.rig.wired(layer.channel)
        if wired is None or wired.is_wheel:
            raise ValueError(
                f"layer {number} corrects {layer.channel!r}, which is no channel of this run "
                "that is calibrated"
            )
        layer.calibration.put_into(tables[layer.channel])
    try:
        return RigFile.model_validate(document)
    except ValidationError as exc:
        message = exc.errors(include_url=False)[0]["msg"].removeprefix("Value error, ")
        raise ValueError(f"holds a calibration that won't do: {message}") from exc


def _unusable(path: Path, what: str) -> RunUnreadable:
    return RunUnreadable(
        where=str(path),
        what=what,
        would_do="take it from a copy; moved away, the run is read as it was recorded",
    )
