"""All that a sheet is made of: a run, its result, its readings, and what people state."""

from __future__ import annotations

import hashlib
from dataclasses import asdict, dataclass

from dashboard.figures.readings import Readings
from dashboard.figures.sectors_of_result import Result
from dashboard.figures.units import Units
from dashboard.later_notes import LaterNote
from dashboard.sheet.stated import Stated
from logger.readings.load_chart import LoadChart
from logger.readings.test_file import TestFile
from logger.recording.header import RunHeader, canonical_json
from logger.recording.run import Run
from logger.software import software_name

_ID_CHARACTERS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Dossier:
    """What a sheet is made of.

    Attributes:
        run: the sealed run.
        result: its ``slewtrace.result/1`` document.
        readings: its readings.
        chart: the crane's load chart; None where the run holds none.
        stated: what people state.
        units: in which quantities are written.
        issued: day of issue, ISO 8601.
        later_notes: what was noted after the run was sealed.
    """

    run: Run
    result: Result
    readings: Readings
    chart: LoadChart | None
    stated: Stated
    units: Units
    issued: str
    later_notes: tuple[LaterNote, ...] = ()

    @property
    def header(self) -> RunHeader:
        """What the run says about itself."""
        return self.run.header

    @property
    def test(self) -> TestFile:
        """The test file in the run."""
        return self.run.header.test

    @property
    def sheet_id(self) -> str:
        """Id of the sheet: another for another result, statement, unit, software or day."""
        rests_on = {
            "result": self.result,
            "stated": [self.stated.sealed, self.stated.later],
            "later_notes": [asdict(note) for note in self.later_notes],
            "units": self.units.name,
            "issued": self.issued,
            "software": software_name(),
        }
        digest = hashlib.sha256(canonical_json(rests_on).encode()).hexdigest()
        return digest[:_ID_CHARACTERS]
