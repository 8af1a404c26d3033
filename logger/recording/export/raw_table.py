"""The bare table of raw readings that ``slewtrace import`` takes back bit for bit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa

from logger.errors import BadInput
from logger.readings.rig_file import Channel
from logger.recording.export.csv_table import number_text, write_lines
from logger.recording.export.tables import Export
from logger.recording.export.text_cells import quoted
from logger.recording.export.wall_time import elapsed_text
from logger.recording.run import Run

HEADING = b"t_s,channel,value\n"


def write_raw_table(path: Path, export: Export, run: Run) -> None:
    """Writes ``t_s,channel,value``.

    Args:
        path: the file.
        export: channels at their own times, raw values only.
        run: the run, which says what a contact's raw value is called.

    Raises:
        BadInput: where a value can't stand in such a table.
        RunUnreadable: where the samples are damaged.
        OSError: where the disk refuses.
    """
    with path.open("wb") as file:
        file.write(HEADING)
        for table in export.readings:
            wired = run.header.rig.wired(table.name)
            word = _closed_word(wired)
            for piece in table.pieces():
                raw = piece.values[0]
                if not np.isfinite(raw).all():
                    raise BadInput(
                        where=f"channel {table.name}",
                        what="has readings that are no numbers, which an import refuses",
                        would_do="export without --raw",
                    )
                text = number_text(raw)
                if word is not None:
                    text = pa.array(np.where(raw == 1.0, word, f"not {word}"), pa.string())
                write_lines(file, [elapsed_text(piece.t_ns), quoted(table.name), text])


def _closed_word(wired: Channel | None) -> str | None:
    """The text that means tyre on the ground, where the contact speaks in texts."""
    if wired is None or not isinstance(wired.closed_when, str):
        return None
    word = wired.closed_when
    if quoted(word) != word or not word.isprintable():
        raise BadInput(
            where=f"channel {wired.id}",
            what=f"is closed_when {word[:40]!r}, which can't stand in a bare table",
            would_do="export without --raw, or leave the channel out with --channels",
        )
    return word
