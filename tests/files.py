"""What stands in a folder, and a disk that takes no more."""

from __future__ import annotations

import contextlib
import hashlib
import resource


def digests(folder):
    """What stands in a folder, by name and content."""
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in folder.iterdir()}


@contextlib.contextmanager
def files_no_longer_than(count):
    """The system refuses this process every write beyond so many bytes in any file."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (count, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
