"""The writer of a text instrument's lines, for a shape or a pattern of the rig file."""

from __future__ import annotations

import re

import numpy as np

from logger.errors import BadInput
from logger.live.play.recorded_source import RecordedSource
from logger.readings.rig_file import Source as SourceTable
from logger.readings.text_shapes import TEXT_SHAPES, VALUE
from logger.recording.run import Run
from logger.sources.decoding import decoder_of
from logger.sources.line_writing import LineImpossible, LineWriter
from logger.sources.pack_writing import OTHER_WORD

_OPEN_WORDS = ("open", "OPEN", "off", "OFF", "0", OTHER_WORD)


def line_writer_of(table: SourceTable, source: RecordedSource, run: Run) -> LineWriter:
    """A writer that has been tried with every value that the run has of the source.

    Args:
        table: the destination, with ``decode = "text"``.
        source: the source.
        run: the run.

    Raises:
        BadInput: where its lines can't be rebuilt, with the reason.
    """
    try:
        writer = _first_that_works(table, source)
        for name in source.names if len(source.names) == 1 else ():
            for piece in run.raw_pieces(name.channel):
                for value in np.unique(piece.value).tolist():
                    writer.line({name.name: value})
    except LineImpossible as exc:
        raise BadInput(
            where=f"source {table.id!r}",
            what=f"its lines can't be rebuilt: {exc}",
            would_do=f"send it as packs: --senml {table.id}",
        ) from exc
    return writer


def _first_that_works(table: SourceTable, source: RecordedSource) -> LineWriter:
    """What stood for an open contact is not known; the first word that the pattern takes goes."""
    contacts = {n.name: n.closed_word for n in source.names if n.form == "word"}
    failure = LineImpossible("no word for an open contact will do")
    for word in _OPEN_WORDS:
        words = {
            name: (word if word != closed else f"{word}{word}", closed)
            for name, closed in contacts.items()
        }
        try:
            writer = LineWriter(
                _pattern_of(table),
                names=tuple(n.name for n in source.names),
                words=words,
                decode=decoder_of(table),
                mark="," if table.decimal == "comma" else ".",
            )
            if words:
                writer.line({n.name: 0.0 for n in source.names})
        except LineImpossible as exc:
            failure = exc
            continue
        return writer
    raise failure


def _pattern_of(table: SourceTable) -> str:
    if table.shape is None:
        return table.pattern or ""
    shape = TEXT_SHAPES[table.shape]
    status = f"{re.escape(table.good_status[0])} " if shape.status else ""
    unit = f" {re.escape(table.line_unit or '')}" if shape.unit else ""
    if table.line_length is None:
        return rf"{status}(?P<{VALUE}>[-+]?\d+(?:[.,]\d+)?){unit}"
    # Blanks and sign fill the line up to its length, which is that of its plain text.
    plain = len(re.sub(r"\\(.)", r"\1", status + unit))
    return rf"{status}(?P<{VALUE}>[-+ \d.,]{{{max(1, table.line_length - plain)}}}){unit}"
