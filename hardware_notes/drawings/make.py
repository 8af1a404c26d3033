"""Makes the drawings and computed tables of these notes.

python hardware_notes/drawings/make.py            writes what has changed
python hardware_notes/drawings/make.py --check    only tells; exit code 1 where something would
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]  # the drawings' modules, and the program

import contacts  # noqa: E402 - found by the path above
import geometry  # noqa: E402
import load  # noqa: E402
import slew  # noqa: E402
import wiring  # noqa: E402
from tables import NOTES, with_tables  # noqa: E402

DRAWINGS = {
    drawing.__name__: drawing
    for drawing in (
        slew.slew_angle,
        slew.encoder_mounting,
        slew.quadrature,
        load.load_cell_placing,
        load.bridge_wiring,
        contacts.switch_placing,
        contacts.switch_circuit,
        contacts.bounce,
        geometry.radius,
        geometry.level,
        wiring.overview,
        wiring.earth,
        wiring.reading_time,
    )
}


def wanted() -> dict[Path, str]:
    """Every drawing, and every page with a computed table, as it should be."""
    files = {HERE / f"{name}.svg": drawing().svg() for name, drawing in DRAWINGS.items()}
    for page in sorted(NOTES.glob("*.md")):
        text = page.read_text(encoding="utf-8")
        if "<!-- computed: " in text:
            files[page] = with_tables(text)
    return files


def main(*, only_tell: bool) -> int:
    """Writes or tells; how many files differ."""
    changed = [
        (path, text)
        for path, text in wanted().items()
        if not path.exists() or path.read_text(encoding="utf-8") != text
    ]
    for path, text in changed:
        print(path.relative_to(NOTES.parent))
        if not only_tell:
            path.write_text(text, encoding="utf-8", newline="\n")
    return len(changed)


if __name__ == "__main__":
    only_tell = "--check" in sys.argv[1:]
    sys.exit(1 if main(only_tell=only_tell) and only_tell else 0)
