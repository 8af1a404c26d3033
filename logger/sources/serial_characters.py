"""How many bits make a character on a serial line: data bits, parity, stop bits."""

from __future__ import annotations

import serial

from logger.errors import SourceUnavailable
from logger.readings.rig_file import Source

_PARITY = {"even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD, "none": serial.PARITY_NONE}


def set_characters(line: serial.Serial, source: Source) -> None:
    """Sets an open port to a source's characters; closes it where it refuses them.

    Args:
        line: the open port.
        source: the source's table in the rig file.

    Raises:
        SourceUnavailable: where the port does not do them.
    """
    parity = source.parity or ("even" if source.kind == "modbus" else "none")
    usual_stop_bits = 2 if source.kind == "modbus" and parity == "none" else 1
    stop_bits = source.stop_bits or usual_stop_bits
    wanted = (source.data_bits, _PARITY[parity], stop_bits)
    if wanted == (line.bytesize, line.parity, line.stopbits):
        return
    try:
        line.bytesize, line.parity, line.stopbits = wanted
    except Exception as exc:  # termios.error is no OSError, and is not there on Windows
        line.close()
        raise SourceUnavailable(
            where=f"source {source.id!r}",
            what=f"{source.port!r} does not do {parity} parity with {source.data_bits} data bits "
            f"and {stop_bits} stop bit{'s' if stop_bits > 1 else ''}",
            would_do="another adapter, or characters that it does, set at both ends",
        ) from exc
