"""Proves that a sealed run is as it was sealed: ``python verify_run.py RUN.parquet``.

Needs pyarrow and the standard library only, nothing of Slewtrace. Prints OK or what differs;
exit code 0 or 1. What is hashed, and how, stands in the README beside this file.
"""

# ruff: noqa: INP001 - a script that is copied about, not part of a package
import hashlib
import json
import sys
from pathlib import Path

import pyarrow.parquet as pq


def difference(path: Path) -> str:
    """What differs from what was sealed, in words; empty where nothing does."""
    data = path.read_bytes()
    end = len(data) - 8 - int.from_bytes(data[-8:-4], "little")  # of the seal, start of the footer
    head, footer_sha256 = data[max(0, end - 72) : end - 32], data[end - 32 : end]
    if end < 76 or head[:8] != b"SLEWSEAL":
        return "no seal stands before the footer"
    if hashlib.sha256(head + data[end:]).digest() != footer_sha256:
        return "the footer or the seal has changed"
    if hashlib.sha256(data[: end - 72]).digest() != head[8:]:
        return "the bytes before the seal have changed"
    file, channels = pq.ParquetFile(path, page_checksum_verification=True), {}
    for group in range(file.num_row_groups):
        table = file.read_row_group(group).combine_chunks()
        (name,) = table["channel"].unique().to_pylist()
        state = channels.setdefault(name, [0, hashlib.sha256(), hashlib.sha256()])
        state[0] += len(table)
        for digest, column in zip(state[1:], ("t_ns", "value"), strict=True):
            for chunk in table[column].chunks:
                start = 8 * chunk.offset
                digest.update(memoryview(chunk.buffers()[1])[start : start + 8 * len(chunk)])
    header = json.loads(file.metadata.metadata[b"slewtrace"])
    stated = header.pop("sha256")
    text = json.dumps(header, sort_keys=True, separators=(",", ":"), ensure_ascii=False) + "\n"
    for name, (count, times, values) in sorted(channels.items()):
        text += f"{name} {count} {times.hexdigest()} {values.hexdigest()}\n"
    found = hashlib.sha256(text.encode()).hexdigest()
    return "" if found == stated else f"header and samples have SHA-256 {found}, not {stated}"


if __name__ == "__main__":
    what = difference(Path(sys.argv[1]))
    print(f"{sys.argv[1]}: {what or 'OK'}")  # noqa: T201 - a script's answer
    sys.exit(bool(what))
