"""A calibration put into a rig file, in which people have comments and an order of their own.

tomlkit changes the keys at hand and leaves every other byte. What comes out is read again
before it replaces anything: it must be a rig file, with the calibration in it and nothing else
changed.
"""

from __future__ import annotations

import difflib
from collections.abc import MutableMapping
from pathlib import Path
from typing import Any

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import Table as TomlTable

from logger.errors import BadInput, FileInvalid
from logger.readings.calibration_table import NewCalibration
from logger.readings.rig_file import Channel, RigFile, read_rig
from logger.recording.replacing import replace_file

_BOM = b"\xef\xbb\xbf"


def write_calibration(path: Path, *, channel: str, calibration: NewCalibration) -> list[str]:
    """Writes a calibration into a channel of a rig file.

    Args:
        path: the rig file.
        channel: id of the channel.
        calibration: what to write.

    Returns:
        The lines that went, each after ``- ``, and those that came, each after ``+ ``.

    Raises:
        FileInvalid: where it is no rig file now, or would be none then; it is untouched.
        BadInput: where it has no such channel, or changed meanwhile.
        StorageFailed: where the disk refuses; it is untouched.
    """
    was, text = _read(path)
    mark = _BOM if was.startswith(_BOM) else b""
    new = with_calibration(text, name=str(path), channel=channel, calibration=calibration)
    if new != text:
        replace_file(path, mark + new.encode(), was=was)
    return _changes(text, new)


def with_calibration(text: str, *, name: str, channel: str, calibration: NewCalibration) -> str:
    """The text of a rig file with a calibration in it.

    Args:
        text: the file's text.
        name: the file's name, for errors.
        channel: id of the channel.
        calibration: what to write.

    Raises:
        FileInvalid: where it is no rig file, or would be none.
        BadInput: where it has no such channel.
    """
    before = read_rig(text, name=name)
    refuse_other_channel(before, channel=channel, name=name)
    try:
        document = tomlkit.parse(text)
        tables: Any = document["channel"]
        _put(next(t for t in tables if t["id"] == channel), calibration)
        new = tomlkit.dumps(document)
    except (TOMLKitError, StopIteration, TypeError) as exc:
        raise _by_hand(name, calibration, f"({exc or type(exc).__name__})") from exc
    if "\r\n" in text:
        new = new.replace("\r\n", "\n").replace("\n", "\r\n")
    after = read_rig(new, name=f"{name} with the calibration")
    if not _only_this_changed(before, after, channel, calibration):
        raise _by_hand(name, calibration, "without changing more than the channel")
    return new


def refuse_other_channel(rig: RigFile, *, channel: str, name: str) -> Channel:
    """The channel of an id.

    Raises:
        BadInput: where the rig file has none.
    """
    wired = rig.wired(channel)
    if wired is None:
        raise BadInput(
            where=name,
            what=f"has no channel {channel!r} to put the calibration into",
            would_do=f"it has {', '.join(c.id for c in rig.channel)}",
        )
    return wired


def _put(table: MutableMapping[str, Any], calibration: NewCalibration) -> None:
    """New keys go before the blank lines and remarks at a table's end: they belong to the next."""
    body = table.value.body if isinstance(table, TomlTable) else []
    end = len(body)
    while end and body[end - 1][0] is None:
        end -= 1
    behind = body[end:]
    del body[end:]
    calibration.put_into(table)
    body.extend(behind)


def _only_this_changed(
    before: RigFile, after: RigFile, channel: str, calibration: NewCalibration
) -> bool:
    wired = after.wired(channel)
    others = [r.model_dump(exclude={"channel"}) for r in (before, after)]
    channels = [[c for c in r.channel if c.id != channel] for r in (before, after)]
    coefficients = None if wired is None else wired.polynomial or (wired.offset, wired.scale)
    return (
        others[0] == others[1]
        and channels[0] == channels[1]
        and coefficients == calibration.coefficients
    )


def _by_hand(name: str, calibration: NewCalibration, why: str) -> FileInvalid:
    return FileInvalid(
        where=name,
        what=f"can't be changed by this program {why}",
        would_do=f"write into the channel by hand: {'; '.join(calibration.toml_lines())}",
    )


def _changes(before: str, after: str) -> list[str]:
    diff = difflib.ndiff(before.splitlines(), after.splitlines())
    return [line for line in diff if line.startswith(("- ", "+ ")) and line[2:].strip()]


def _read(path: Path) -> tuple[bytes, str]:
    """Every byte, line ends as they are, and the text without a byte order mark."""
    try:
        was = path.read_bytes()
        return was, was.removeprefix(_BOM).decode()
    except UnicodeDecodeError as exc:
        raise FileInvalid(where=str(path), what="is no text in UTF-8") from exc
    except OSError as exc:
        raise FileInvalid(where=str(path), what=f"can't be read ({exc.strerror})") from exc
